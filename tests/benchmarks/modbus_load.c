/* The load generator of the throughput benchmark: the same for every server.
 *
 * Usage: modbus_load PORT CONNECTIONS DEPTH REGISTERS SECONDS
 *
 * Every connection to 127.0.0.1 keeps DEPTH requests of function 03 (REGISTERS registers
 * from address 0, unit 1) in flight. Every reply is checked: transaction in order, length,
 * unit, function, byte count. Prints one line of JSON: replies, errors, requests that were
 * never answered (skipped, or outstanding when nothing had come for a second, which ends
 * the run), seconds, and the median and 99th percentile of the time from a request to its
 * reply in microseconds.
 */
#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { REQUEST = 12, MAX_DEPTH = 256, BUFFER = 1 << 16, BINS = 200000 };

typedef struct {
    int fd, in_flight;
    uint16_t next, expected;
    size_t held;
    double sent_at[MAX_DEPTH];
    uint8_t buffer[BUFFER];
} client_t;

static int depth, registers;
static long replies, errors, unanswered;
static long bins[BINS]; /* whole microseconds */

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void ask(client_t *client, int count, double at)
{
    uint8_t data[REQUEST * MAX_DEPTH];
    for (int i = 0; i < count; i++) {
        uint16_t id = client->next++;
        uint8_t request[REQUEST] = {id >> 8, id, 0, 0, 0, 6, 1, 3, 0, 0, 0, registers};
        memcpy(data + i * REQUEST, request, REQUEST);
        client->sent_at[id % MAX_DEPTH] = at;
    }
    if (write(client->fd, data, (size_t)count * REQUEST) != (ssize_t)count * REQUEST)
        errors++;
    client->in_flight += count;
}

static void judge(client_t *client, const uint8_t *reply, int size, double at)
{
    int id = reply[0] << 8 | reply[1];
    long us = (long)((at - client->sent_at[id % MAX_DEPTH]) * 1e6);
    int skipped = (uint16_t)(id - client->expected);
    if (skipped >= client->in_flight || reply[2] || reply[3] || reply[6] != 1 || reply[7] != 3 ||
        reply[8] != 2 * registers || size != 9 + 2 * registers)
        errors++;
    else
        client->in_flight -= skipped, unanswered += skipped;
    client->expected = (uint16_t)(id + 1);
    client->in_flight--;
    replies++;
    bins[us < 0 ? 0 : us >= BINS ? BINS - 1 : us]++;
}

/* Returns the number of whole replies, or -1 when the connection is over. */
static int receive(client_t *client)
{
    ssize_t got = read(client->fd, client->buffer + client->held, BUFFER - client->held);
    size_t start = 0;
    int count = 0;
    double at = now();
    if (got <= 0)
        return -1;
    client->held += (size_t)got;
    while (client->held - start >= 6) {
        const uint8_t *reply = client->buffer + start;
        size_t size = 6 + (size_t)(reply[4] << 8 | reply[5]);
        if (client->held - start < size)
            break;
        judge(client, reply, (int)size, at);
        start += size;
        count++;
    }
    memmove(client->buffer, client->buffer + start, client->held - start);
    client->held -= start;
    return count;
}

static double percentile(double share)
{
    long wanted = (long)(share * (double)replies), seen = 0;
    for (int us = 0; us < BINS; us++)
        if ((seen += bins[us]) > wanted)
            return us;
    return BINS;
}

static int open_client(client_t *client, int port, int poll)
{
    int one = 1;
    struct sockaddr_in where = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
    struct epoll_event event = {.events = EPOLLIN, .data = {.ptr = client}};
    client->fd = socket(AF_INET, SOCK_STREAM, 0);
    if (client->fd < 0 || connect(client->fd, (struct sockaddr *)&where, sizeof where))
        return -1;
    setsockopt(client->fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    return epoll_ctl(poll, EPOLL_CTL_ADD, client->fd, &event);
}

int main(int argc, char **argv)
{
    if (argc != 6) {
        fprintf(stderr, "expected PORT CONNECTIONS DEPTH REGISTERS SECONDS\n");
        return 2;
    }
    int port = atoi(argv[1]), connections = atoi(argv[2]), poll = epoll_create1(0);
    double length = atof(argv[5]), start, last;
    client_t *clients = calloc((size_t)connections, sizeof *clients);

    depth = atoi(argv[3]);
    registers = atoi(argv[4]);
    if (depth < 1 || depth > MAX_DEPTH || registers < 1 || registers > 125 || !clients)
        return 2;
    for (int i = 0; i < connections; i++)
        if (open_client(clients + i, port, poll)) {
            perror("expected to connect");
            return 1;
        }
    start = last = now();
    for (int i = 0; i < connections; i++)
        ask(clients + i, depth, start);
    while (now() - start < length && now() - last < 1.0) {
        struct epoll_event ready[64];
        int count = epoll_wait(poll, ready, 64, 100);
        for (int i = 0; i < count; i++) {
            client_t *client = ready[i].data.ptr;
            int done = receive(client);
            if (done < 0) {
                errors++;
                epoll_ctl(poll, EPOLL_CTL_DEL, client->fd, NULL);
                continue;
            }
            if (done)
                last = now(), ask(client, done, last);
        }
    }
    if (now() - last >= 1.0)
        for (int i = 0; i < connections; i++)
            unanswered += clients[i].in_flight;
    printf("{\"replies\": %ld, \"errors\": %ld, \"unanswered\": %ld, \"seconds\": %.6f, "
           "\"median_us\": %.0f, \"p99_us\": %.0f}\n",
           replies, errors, unanswered, now() - start, percentile(0.5), percentile(0.99));
    return 0;
}
