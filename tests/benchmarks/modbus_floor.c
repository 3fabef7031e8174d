/* The least that any server can do: what the kernel alone costs in the throughput benchmark.
 *
 * Usage: modbus_floor REGISTERS; prints the port it listens on at 127.0.0.1 and serves
 * until standard input ends. It takes every twelve bytes for a read of holding registers,
 * checks nothing, and answers with zeros: one epoll_wait, one recv and one send.
 */
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

enum { REQUEST = 12, HEAD = 9, RECEIVE = 4096, REPLIES = RECEIVE / REQUEST * 260 };

static int watch(int poll, int fd)
{
    struct epoll_event event = {.events = EPOLLIN, .data = {.fd = fd}};
    return epoll_ctl(poll, EPOLL_CTL_ADD, fd, &event);
}

static void serve(int fd)
{
    static unsigned char requests[RECEIVE], replies[REPLIES];
    ssize_t got = recv(fd, requests, sizeof requests, 0);
    size_t size = 0;
    if (got <= 0) {
        close(fd);
        return;
    }
    for (const unsigned char *at = requests; at + REQUEST <= requests + got; at += REQUEST) {
        unsigned char *reply = replies + size, bytes = (unsigned char)(2 * at[11]);
        memcpy(reply, at, 8);
        reply[4] = (unsigned char)((3 + bytes) >> 8);
        reply[5] = (unsigned char)(3 + bytes);
        reply[8] = bytes;
        memset(reply + HEAD, 0, bytes);
        size += HEAD + bytes;
    }
    if (send(fd, replies, size, 0) < 0)
        close(fd);
}

int main(void)
{
    int one = 1, poll = epoll_create1(0), listener = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in where = {.sin_family = AF_INET, .sin_addr = {htonl(INADDR_LOOPBACK)}};
    socklen_t length = sizeof where;
    struct epoll_event ready[64];

    if (poll < 0 || listener < 0 || bind(listener, (struct sockaddr *)&where, length) ||
        listen(listener, 128) || getsockname(listener, (struct sockaddr *)&where, &length) ||
        watch(poll, listener) || watch(poll, STDIN_FILENO)) {
        perror("expected a socket to listen on");
        return 1;
    }
    printf("%d\n", ntohs(where.sin_port));
    fflush(stdout);
    for (;;) {
        int count = epoll_wait(poll, ready, 64, -1);
        for (int i = 0; i < count; i++) {
            int fd = ready[i].data.fd;
            if (fd == STDIN_FILENO)
                return 0;
            if (fd == listener) {
                fd = accept(listener, NULL, NULL);
                if (fd < 0)
                    continue;
                setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
                watch(poll, fd);
            } else
                serve(fd);
        }
    }
}
