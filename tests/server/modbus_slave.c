/* A small Modbus TCP server on libmodbus, so that the driver meets a stack nobody here wrote.
   modbus_slave PORT   prints "listening PORT" (0 picks a free one); ends when its stdin closes.

   Holding registers 0 to 199, input registers 0 to 99 (each 1000 + its address), 64 coils and
   64 discrete inputs; anything beyond is answered with exception 2.
   Registers are written by hand: modbus_set_float_abcd() of libmodbus 3.1.6 swaps bytes. */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

static void fill(modbus_mapping_t *map)
{
    static const uint16_t words[] = {
        0x4050, 0x0000, /*  0  3.25 float32 ABCD */
        0x0000, 0x4050, /*  2  CDAB */
        0x5040, 0x0000, /*  4  BADC */
        0x0000, 0x5040, /*  6  DCBA */
        0xFFFE,         /*  8  int16 -2, uint16 65534 */
        0x8004,         /*  9  bits 2 and 15 */
        0xFFFF, 0xFFFE, /* 10  int32 -2 */
        0x0304, 0x0102, /* 12  uint32 0x01020304 CDAB */
        0x400A, 0, 0, 0,           /* 14  float64 3.25 ABCD */
        0, 0, 0, 0x0A40,           /* 18  float64 3.25 DCBA */
        0x7FC0, 0x0000, /* 22  float32 NaN */
        0x7F80, 0x0000, /* 24  float32 +infinity */
        0x41D9, 0x54FC, 0x4000, 0, /* 26  float64 1700000000 */
        0x6553, 0xF100, /* 30  uint32 1700000000 */
    };
    memcpy(map->tab_registers, words, sizeof words);
    for (int i = 0; i < map->nb_input_registers; i++)
        map->tab_input_registers[i] = 1000 + i;
    for (int i = 0; i < map->nb_bits; i++)
        map->tab_bits[i] = i % 3 == 0;
    for (int i = 0; i < map->nb_input_bits; i++)
        map->tab_input_bits[i] = i % 5 == 0;
}

int main(int argc, char **argv)
{
    modbus_t *context = modbus_new_tcp("127.0.0.1", argc > 1 ? atoi(argv[1]) : 0);
    modbus_mapping_t *map = modbus_mapping_new(64, 64, 200, 100);
    if (context == NULL || map == NULL)
        return 1;
    fill(map);
    int listener = modbus_tcp_listen(context, 8);
    if (listener < 0) {
        fprintf(stderr, "listen: %s\n", modbus_strerror(errno));
        return 1;
    }
    struct sockaddr_in bound;
    socklen_t size = sizeof bound;
    getsockname(listener, (struct sockaddr *)&bound, &size);
    printf("listening %d\n", ntohs(bound.sin_port));
    fflush(stdout);

    fd_set open;
    int highest = listener;
    FD_ZERO(&open);
    FD_SET(STDIN_FILENO, &open);
    FD_SET(listener, &open);
    for (;;) {
        fd_set ready = open;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0)
            return 1;
        for (int fd = 0; fd <= highest; fd++) {
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            if (!FD_ISSET(fd, &ready))
                continue;
            if (fd == STDIN_FILENO)
                return 0;
            if (fd == listener) {
                int client = accept(listener, NULL, NULL);
                if (client >= 0) {
                    FD_SET(client, &open);
                    highest = client > highest ? client : highest;
                }
                continue;
            }
            modbus_set_socket(context, fd);
            int length = modbus_receive(context, query);
            if (length > 0) {
                modbus_reply(context, query, length, map);
            } else if (length < 0) {
                FD_CLR(fd, &open);
                close(fd);
            }
        }
    }
}
