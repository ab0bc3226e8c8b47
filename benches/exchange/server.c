/* Answers reads of holding registers over Modbus TCP, one client at a time, as fast as it can. Prints its port. */
#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

static int all(int socket, unsigned char *bytes, int count)
{
    for (int have = 0; have < count;) {
        int n = read(socket, bytes + have, count - have);
        if (n <= 0)
            return 0;
        have += n;
    }
    return 1;
}

int main(void)
{
    int door = socket(AF_INET, SOCK_STREAM, 0), one = 1;
    struct sockaddr_in here = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof here;
    if (bind(door, (void *)&here, size) || listen(door, 8) || getsockname(door, (void *)&here, &size))
        return 1;
    printf("%d\n", ntohs(here.sin_port));
    fflush(stdout);
    for (;;) {
        int client = accept(door, 0, 0);
        setsockopt(client, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
        unsigned char ask[12], answer[9 + 250];
        while (all(client, ask, sizeof ask)) {
            int bytes = 2 * (ask[10] << 8 | ask[11]);
            if (ask[7] != 3 || bytes > 250)
                break;
            memcpy(answer, ask, 8);
            answer[4] = (bytes + 3) >> 8;
            answer[5] = (bytes + 3) & 255;
            answer[8] = bytes;
            for (int i = 0; i < bytes; i++)
                answer[9 + i] = i;
            if (write(client, answer, 9 + bytes) != 9 + bytes)
                break;
        }
        close(client);
    }
}
