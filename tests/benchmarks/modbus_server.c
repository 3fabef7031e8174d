/* A plain Modbus/TCP server on libmodbus: the peer of the throughput benchmark.
 *
 * Usage: modbus_server REGISTERS; prints the port it listens on at 127.0.0.1 and serves
 * until standard input ends. One process, select() over all connections, as libmodbus's
 * interface suggests; TCP_NODELAY as the Modbus guide recommends.
 */
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

static int fail(const char *what)
{
    perror(what);
    return 1;
}

static void serve(modbus_t *link, modbus_mapping_t *map, int fd, fd_set *open_fds)
{
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    int size;

    modbus_set_socket(link, fd);
    size = modbus_receive(link, request);
    if (size > 0)
        modbus_reply(link, request, size, map);
    else if (size < 0) {
        close(fd);
        FD_CLR(fd, open_fds);
    }
}

int main(int argc, char **argv)
{
    int registers = argc > 1 ? atoi(argv[1]) : 1000;
    int one = 1, highest, listener = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in where = {.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    socklen_t length = sizeof where;
    modbus_t *link = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *map = modbus_mapping_new(0, 0, registers, registers);
    fd_set open_fds, ready;

    if (!link || !map || listener < 0 || bind(listener, (struct sockaddr *)&where, length) ||
        listen(listener, 128) || getsockname(listener, (struct sockaddr *)&where, &length))
        return fail("expected a socket to listen on");
    printf("%d\n", ntohs(where.sin_port));
    fflush(stdout);

    FD_ZERO(&open_fds);
    FD_SET(listener, &open_fds);
    FD_SET(STDIN_FILENO, &open_fds);
    highest = listener;
    for (;;) {
        ready = open_fds;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0)
            return fail("select");
        if (FD_ISSET(STDIN_FILENO, &ready))
            return 0;
        for (int fd = STDIN_FILENO + 1; fd <= highest; fd++) {
            if (!FD_ISSET(fd, &ready))
                continue;
            if (fd == listener) {
                int fresh = accept(listener, NULL, NULL);
                if (fresh < 0)
                    continue;
                setsockopt(fresh, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
                FD_SET(fresh, &open_fds);
                if (fresh > highest)
                    highest = fresh;
            } else
                serve(link, map, fd, &open_fds);
        }
    }
}
