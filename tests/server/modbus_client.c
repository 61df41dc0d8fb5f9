/* A Modbus client on libmodbus, so that the served plant meets a stack nobody here wrote.
   modbus_client tcp HOST PORT   or   modbus_client rtu DEVICE
   Reads commands from standard input, one a line, and answers each with a line of numbers:
     holding|input|coil|discrete FIRST COUNT     write FIRST VALUE
   An error is told as "error CODE", with the exception code of the server (0: none came). */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int failed(void)
{
    int code = errno >= EMBXILFUN && errno <= EMBXGTAR ? errno - MODBUS_ENOBASE : 0;
    printf("error %d %s\n", code, modbus_strerror(errno));
    return 0;
}

static int asked(modbus_t *context, const char *what, int first, int count)
{
    uint16_t words[125];
    uint8_t bits[2000];
    int got;
    if (strcmp(what, "write") == 0) {
        if (modbus_write_register(context, first, count) < 0)
            return failed();
        return printf("written\n");
    }
    if (count < 1 || count > 125)
        return printf("error 0 count\n");
    if (strcmp(what, "holding") == 0 || strcmp(what, "input") == 0) {
        got = strcmp(what, "holding") == 0
            ? modbus_read_registers(context, first, count, words)
            : modbus_read_input_registers(context, first, count, words);
        for (int i = 0; i < got; i++)
            printf("%u ", words[i]);
    } else {
        got = strcmp(what, "coil") == 0
            ? modbus_read_bits(context, first, count, bits)
            : modbus_read_input_bits(context, first, count, bits);
        for (int i = 0; i < got; i++)
            printf("%u ", bits[i]);
    }
    return got < 0 ? failed() : printf("\n");
}

int main(int argc, char **argv)
{
    char what[16];
    int first, count;
    modbus_t *context = NULL;
    if (argc == 4 && strcmp(argv[1], "tcp") == 0)
        context = modbus_new_tcp(argv[2], atoi(argv[3]));
    else if (argc == 3 && strcmp(argv[1], "rtu") == 0)
        context = modbus_new_rtu(argv[2], 115200, 'N', 8, 1);
    if (context == NULL)
        return 2;
    modbus_set_slave(context, 1);
    modbus_set_response_timeout(context, 10, 0);
    if (modbus_connect(context) < 0) {
        fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    while (scanf("%15s %d %d", what, &first, &count) == 3)
        asked(context, what, first, count);
    modbus_close(context);
    modbus_free(context);
    return 0;
}
