/* A plain Modbus/TCP server on libmodbus with all four tables: a peer for conformance.
 *
 * Usage: libmodbus_server COUNT; every table has COUNT addresses from 0. Prints the port it
 * listens on at 127.0.0.1 and serves until standard input ends. One process and select(),
 * the library's own answers, nothing added. Its two time-outs are set lower than their
 * half a second: the library sleeps for the first after each wrong request and waits for the
 * second inside half a frame, serving nobody else, and tests should not take so long.
 */
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

static void serve(modbus_t *bus, modbus_mapping_t *tables, int client, fd_set *clients)
{
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    int size;

    modbus_set_socket(bus, client);
    size = modbus_receive(bus, request);
    if (size > 0)
        modbus_reply(bus, request, size, tables);
    if (size < 0) {
        close(client);
        FD_CLR(client, clients);
    }
}

int main(int argc, char **argv)
{
    int count = argc > 1 ? atoi(argv[1]) : 100;
    modbus_t *bus = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *tables = modbus_mapping_new(count, count, count, count);
    int listener = bus ? modbus_tcp_listen(bus, 64) : -1;
    struct sockaddr_in where;
    socklen_t length = sizeof where;
    fd_set watched, ready;

    if (listener < 0 || !tables || getsockname(listener, (struct sockaddr *)&where, &length)) {
        perror("expected a socket to listen on");
        return 1;
    }
    modbus_set_response_timeout(bus, 0, 10000);
    modbus_set_byte_timeout(bus, 0, 100000);
    printf("%d\n", ntohs(where.sin_port));
    fflush(stdout);

    FD_ZERO(&watched);
    FD_SET(STDIN_FILENO, &watched);
    FD_SET(listener, &watched);
    for (;;) {
        ready = watched;
        if (select(FD_SETSIZE, &ready, NULL, NULL, NULL) < 0 || FD_ISSET(STDIN_FILENO, &ready))
            return 0;
        if (FD_ISSET(listener, &ready)) {
            int client = accept(listener, NULL, NULL);
            if (client >= 0)
                FD_SET(client, &watched);
        }
        for (int client = STDIN_FILENO + 1; client < FD_SETSIZE; client++)
            if (client != listener && FD_ISSET(client, &ready))
                serve(bus, tables, client, &watched);
    }
}
