/* Processor time of one exchange of 125 registers with libmodbus: microseconds, the middle one of nine runs. */
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { EXCHANGES = 4000, RUNS = 9, REGISTERS = 125 };

static double used(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return t.tv_sec * 1e6 + t.tv_nsec / 1e3;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv)
{
    double times[RUNS];
    uint16_t words[REGISTERS];
    for (int run = 0; run < RUNS; run++) {
        modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(argv[argc - 1]));
        modbus_set_slave(context, 1);
        if (modbus_connect(context) != 0)
            return 1;
        double before = used();
        for (int i = 0; i < EXCHANGES; i++)
            if (modbus_read_registers(context, 0, REGISTERS, words) != REGISTERS)
                return 1;
        times[run] = (used() - before) / EXCHANGES;
        modbus_close(context);
        modbus_free(context);
    }
    qsort(times, RUNS, sizeof times[0], by_size);
    printf("libmodbus %.2f\n", times[RUNS / 2]);
    return 0;
}
