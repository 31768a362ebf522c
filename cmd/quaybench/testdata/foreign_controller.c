/* A controller's serial side with libmodbus, which nobody here wrote: petrel's registers, a lock, and a watchdog of its own
   on the throttle. The drive behind it is the test's: both share a file, 1024 holding registers and then 16 input registers.
   Each write, each reading of settings ("fetch") and of what is measured ("read") is logged with its time in ms.

   foreign_controller TERMINAL SHARED-FILE LOG */
#include <errno.h>
#include <fcntl.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

enum { UNIT = 17, THROTTLE = 0x80, LOCK = 0xF0, UNLOCKED = 1000, HOLDING = 1024, INPUT = 16, WATCHDOG_MS = 400 };

static long now_ms(void) {
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return t.tv_sec * 1000L + t.tv_nsec / 1000000L;
}

int main(int argc, char **argv) {
  if (argc != 4) return 2;
  int file = open(argv[2], O_RDWR);
  uint16_t *shared = mmap(NULL, 2 * (HOLDING + INPUT), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
  FILE *log = fopen(argv[3], "a");
  modbus_t *ctx = modbus_new_rtu(argv[1], 115200, 'N', 8, 1);
  if (shared == MAP_FAILED || !log || !ctx) return 2;
  modbus_mapping_t map = {.nb_registers = HOLDING, .nb_input_registers = INPUT, .tab_registers = shared, .tab_input_registers = shared + HOLDING};
  modbus_set_slave(ctx, UNIT);
  if (modbus_connect(ctx) != 0) return 3;
  modbus_set_indication_timeout(ctx, 0, 20000);
  setvbuf(log, NULL, _IOLBF, 0);
  long told = now_ms();
  int step = 0;
  shared[UNLOCKED] = 0;
  fprintf(log, "%ld ready 0 0\n", told);
  for (;;) {
    uint8_t q[MODBUS_RTU_MAX_ADU_LENGTH];
    int n = modbus_receive(ctx, q);
    if (n < 0 && errno != ETIMEDOUT && errno != EMBBADCRC && errno != EMBBADDATA) usleep(1000);
    if (n > 0) {
      int function = q[1], address = q[2] << 8 | q[3], value = q[4] << 8 | q[5];
      int setting = address < THROTTLE;
      if (function == 3) fprintf(log, "%ld fetch %d 0\n", now_ms(), address);
      if (function == 4) fprintf(log, "%ld read %d 0\n", now_ms(), address);
      if (function == 6) fprintf(log, "%ld write %d %d\n", now_ms(), address, (int16_t)value);
      if (function == 6 && setting && step < 2) {
        modbus_reply_exception(ctx, q, MODBUS_EXCEPTION_ILLEGAL_DATA_VALUE);
      } else {
        if (function == 6 && address == THROTTLE) told = now_ms();
        if (function == 6 && address == LOCK) step = value == 0x5A ? 1 : value == 0xA5 && step == 1 ? 2 : 0;
        modbus_reply(ctx, q, n, &map);
      }
      shared[UNLOCKED] = step == 2;
    }
    if (shared[THROTTLE] && now_ms() - told >= WATCHDOG_MS) {
      shared[THROTTLE] = 0;
      fprintf(log, "%ld watchdog %d 0\n", now_ms(), THROTTLE);
    }
  }
}
