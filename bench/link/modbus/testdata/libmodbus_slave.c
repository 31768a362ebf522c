/* A Modbus slave nobody here wrote: libmodbus with a mapping of 100 of each
 * table, unit 17, on the terminal given. The test compiles it with
 *     cc libmodbus_slave.c $(pkg-config --cflags --libs libmodbus)
 * Its inputs are fixed: discrete input i is on where i is a multiple of 3,
 * input register i holds 1000 + i. Prints "ready" once it listens. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    if (argc != 3) {
        fprintf(stderr, "usage: libmodbus_slave TERMINAL BAUD\n");
        return 2;
    }
    modbus_t *ctx = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    modbus_mapping_t *map = modbus_mapping_new(100, 100, 100, 100);
    if (!ctx || !map || modbus_set_slave(ctx, 17) || modbus_connect(ctx)) {
        fprintf(stderr, "%s\n", modbus_strerror(errno));
        return 1;
    }
    for (int i = 0; i < 100; i++) {
        map->tab_input_bits[i] = i % 3 == 0;
        map->tab_input_registers[i] = 1000 + i;
    }
    printf("ready\n");
    fflush(stdout);
    for (;;) {
        uint8_t request[MODBUS_RTU_MAX_ADU_LENGTH];
        int length = modbus_receive(ctx, request);
        if (length > 0)
            modbus_reply(ctx, request, length, map);
        else if (length < 0 && errno != EMBBADCRC && errno != ETIMEDOUT && errno != EMBBADDATA)
            break; /* the terminal is gone */
    }
    modbus_mapping_free(map);
    modbus_free(ctx);
    return 0;
}
