/*
 * Runs @prefix@.c over test vectors: rows of a vectors file on standard input, readings on standard output.
 *
 *   cc -std=c99 harness.c @prefix@.c -o harness
 *   ./harness < vectors.csv > readings.csv
 *
 * A row holds first (1 where a stream starts at power-on), there trim counts when the model uses them, counts, temperature and fault
 * mask; what stands behind them is not read. A line that does not start with a digit is a heading. One line is printed per row:
 * low, level, high, validity, flags, reason, then the values of the state. There is no test in here: compare the output with the expected columns,
 * which stand further right in rows that hold a trim. Nothing printed by these two lines is every reading as expected:
 *
 *   awk -F, '/^first/ {h++; for (i = 1; i <= NF; i++) if ($i == "low") at[h] = i} /^[01],/ {i = at[$1 ? 1 : h]; print $i FS $(i+1) FS $(i+2) FS $(i+3) FS $(i+4) FS $(i+5)}' vectors.csv > expected.csv
 *   cut -d, -f1-6 readings.csv | cmp - expected.csv
 */
#include "@prefix@.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LINE_LENGTH 4096
#define SLICE_BYTES 64U

static long next_number(char **text)
{
    char *end = NULL;
    const long value = strtol(*text, &end, 10);
    if (end == *text) {
        (void)fprintf(stderr, "too few numbers in a row\n");
        exit(3);
    }
    *text = (*end == ',') ? end + 1 : end;
    return value;
}

#if @PREFIX@_STATE_VALUES > 0
static void print_value(long value)
{
    (void)printf(",%ld", value);
}
#endif

static void print_state(const @prefix@_state_t *state)
{
@state@
    (void)printf("\n");
}

/* The model's own test of itself, in slices as an application would make them. */
static bool test_passed(@prefix@_scratch_t *scratch)
{
    @prefix@_selftest_t test;
    uint8_t answer = @PREFIX@_SELFTEST_RUNNING;
    @prefix@_selftest_init(&test, scratch);
    while (answer == @PREFIX@_SELFTEST_RUNNING) {
        answer = @prefix@_selftest_slice(&test, SLICE_BYTES);
    }
    return answer == @PREFIX@_SELFTEST_OK;
}

int main(void)
{
    static char line[LINE_LENGTH];
    @prefix@_state_t state;
    @prefix@_prepared_t prepared;
    @prefix@_scratch_t scratch;
    @prefix@_reading_t reading;
    @prefix@_count_t trim[(@PREFIX@_TRIM_COUNTS > 0) ? @PREFIX@_TRIM_COUNTS : 1];
    @prefix@_count_t counts[@PREFIX@_CHANNELS];

    (void)memset(&scratch, 0xA5, sizeof scratch);
    if (!test_passed(&scratch)) {
        (void)fprintf(stderr, "the self-test failed\n");
        return 1;
    }
    while (fgets(line, LINE_LENGTH, stdin) != NULL) {
        char *text = line;
        if ((line[0] < '0') || (line[0] > '9')) {
            continue;
        }
        const long first = next_number(&text);
        for (int k = 0; (first != 0) && (k < @PREFIX@_TRIM_COUNTS); ++k) {
            trim[k] = (@prefix@_count_t)next_number(&text);
        }
        for (size_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
            counts[k] = (@prefix@_count_t)next_number(&text);
        }
        const int16_t temperature = (int16_t)next_number(&text);
        const uint32_t faults = (uint32_t)next_number(&text);
@take_pour@        if (first != 0) {
            @prefix@_init(&state);
            if (!@prefix@_prepare(&prepared, (@PREFIX@_TRIM_COUNTS > 0) ? trim : NULL)) {
                (void)fprintf(stderr, "a trim was refused\n");
                return 2;
            }
        }
        (void)@prefix@_step(&state, &prepared, &scratch, counts, temperature, faults,@pour@ &reading);
        (void)printf("%ld,%ld,%ld,%u,%u,%u", (long)reading.low, (long)reading.level, (long)reading.high, (unsigned int)reading.validity,
                     (unsigned int)reading.flags, (unsigned int)reading.reason);
        print_state(&state);
    }
    return 0;
}
