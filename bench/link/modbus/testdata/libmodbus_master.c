/* A Modbus master nobody here wrote: libmodbus asks unit 17 on the terminal
 * given and prints what it read or was refused, one line each. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>

static void say(const char *what, int result)
{
    if (result < 0)
        printf("%s: %s\n", what, modbus_strerror(errno));
    else
        printf("%s: %d\n", what, result);
}

int main(int argc, char **argv)
{
    uint8_t bits[2000] = {1, 0, 1, 1, 0};
    uint16_t registers[125] = {0x1234, 0xFFFF, 7};
    modbus_t *ctx;
    if (argc != 3) {
        fprintf(stderr, "usage: libmodbus_master TERMINAL BAUD\n");
        return 2;
    }
    ctx = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    if (!ctx || modbus_set_slave(ctx, 17) || modbus_connect(ctx)) {
        fprintf(stderr, "%s\n", modbus_strerror(errno));
        return 1;
    }
    say("write coils", modbus_write_bits(ctx, 3, 5, bits));
    say("write coil", modbus_write_bit(ctx, 4, 1));
    say("read coils", modbus_read_bits(ctx, 3, 5, bits));
    printf("%d%d%d%d%d\n", bits[0], bits[1], bits[2], bits[3], bits[4]);
    say("read discrete inputs", modbus_read_input_bits(ctx, 0, 4, bits));
    printf("%d%d%d%d\n", bits[0], bits[1], bits[2], bits[3]);
    say("write registers", modbus_write_registers(ctx, 20, 3, registers));
    say("write register", modbus_write_register(ctx, 22, 0x8000));
    say("read registers", modbus_read_registers(ctx, 20, 3, registers));
    printf("%04x %04x %04x\n", registers[0], registers[1], registers[2]);
    say("read input registers", modbus_read_input_registers(ctx, 0, 2, registers));
    printf("%d %d\n", registers[0], registers[1]);
    say("96 count 4", modbus_read_registers(ctx, 96, 4, registers));
    say("96 count 5", modbus_read_registers(ctx, 96, 5, registers));
    modbus_close(ctx);
    modbus_free(ctx);
    return 0;
}
