/*
 * How firmware uses @prefix@.h, from power-on to the outputs of the appliance. To compile and read, not to ship: what belongs to the board
 * stands in the functions below, which here only stand in for it.
 */
#include "@prefix@.h"

#define SLICE_BYTES 64U /* of the self-test: what the frame can spare */
#define STORED_KINDS 2U /* places for trims in non-volatile memory */

/* Of the board: counts of all channels, broken channels, the thermometer, the stored bytes, its own serial, and the wait for the next frame. */
static void read_counts(@prefix@_count_t *counts);
static uint32_t broken_channels(void);
static int16_t board_temperature(void);
static const uint8_t *stored_trims(void);
static const uint8_t *board_serial(void); /* @PREFIX@_SERIAL_LENGTH bytes, or NULL where the board knows none */
static bool wait_for_frame(void); /* false: a frame was missed or came outside its time */
static void pump(bool on);
static void inlet(bool open);
static void report(const char *what);
static void answer_on_bus(const uint8_t *bytes, uint32_t length);

static @prefix@_state_t state;
static @prefix@_prepared_t prepared;
static @prefix@_scratch_t scratch;
static @prefix@_selftest_t test;

/* Pump and heater need liquid for certain, the inlet needs room for certain; both levels belong to the appliance. */
#define PUMP_FROM (10 * @PREFIX@_UNITS_PER_MM)
#define INLET_TO (@PREFIX@_SPAN - (10 * @PREFIX@_UNITS_PER_MM))

static void safe_state(void)
{
    pump(false);
    inlet(false);
}

/* True when the model may run. */
static bool power_on(void)
{
    static @prefix@_count_t trim[(@PREFIX@_TRIM_COUNTS > 0) ? @PREFIX@_TRIM_COUNTS : 1];
    uint8_t answer = @PREFIX@_SELFTEST_RUNNING;
    safe_state();
    if (@prefix@_model_id() != @PREFIX@_MODEL_ID) {
        report("header and library are of different models");
        return false;
    }
    @prefix@_selftest_init(&test, &scratch);
    while (answer == @PREFIX@_SELFTEST_RUNNING) {
        answer = @prefix@_selftest_slice(&test, SLICE_BYTES);
    }
    if (answer != @PREFIX@_SELFTEST_OK) {
        report("tables or code of the model are damaged");
        return false;
    }
    if (@prefix@_trim_check(stored_trims(), STORED_KINDS * @PREFIX@_TRIM_LENGTH, trim, board_serial()) != @PREFIX@_TRIM_OK) {
        report("no usable trim is stored");
        return false;
    }
    if (!@prefix@_prepare(&prepared, trim)) {
        report("the trim is outside the limits of the model");
        return false;
    }
    @prefix@_init(&state);
    answer_on_bus(@prefix@_identity, @PREFIX@_IDENTITY_BYTES); /* so that a unit in the field can be traced back */
    @prefix@_selftest_init(&test, &scratch); /* goes on while the appliance runs */
    return true;
}

/* One frame; false when the tables or the code were found damaged. */
static bool frame(void)
{
    @prefix@_count_t counts[@PREFIX@_CHANNELS];
    @prefix@_reading_t reading;
    const uint8_t answer = @prefix@_selftest_slice(&test, SLICE_BYTES);
    read_counts(counts);
    if (@prefix@_step(&state, &prepared, &scratch, counts, board_temperature(), broken_channels(), &reading) == @PREFIX@_WITHHELD) {
        safe_state();
    } else {
        pump(reading.low > PUMP_FROM);
        inlet(reading.high < INLET_TO);
    }
    if (answer == @PREFIX@_SELFTEST_OK) {
        @prefix@_selftest_init(&test, &scratch);
    }
    return answer != @PREFIX@_SELFTEST_BAD;
}

int main(void)
{
    bool running = power_on();
    while (running) {
        if (!wait_for_frame()) {
            @prefix@_init(&state);
        }
        running = frame();
    }
    safe_state();
    report("level sensing has stopped");
    return 1;
}

/* In place of a board: no counts, no trims, the time always kept. */
static void read_counts(@prefix@_count_t *counts)
{
    for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
        counts[k] = 0U;
    }
}

static uint32_t broken_channels(void)
{
    return 0U;
}

static int16_t board_temperature(void)
{
    return @PREFIX@_NO_TEMPERATURE;
}

static const uint8_t *stored_trims(void)
{
    static const uint8_t bytes[STORED_KINDS * @PREFIX@_TRIM_LENGTH] = {0xFFU};
    return bytes;
}

static const uint8_t *board_serial(void)
{
    return NULL;
}

static bool wait_for_frame(void)
{
    return true;
}

static void pump(bool on)
{
    (void)on;
}

static void inlet(bool open)
{
    (void)open;
}

static void report(const char *what)
{
    (void)what;
}

static void answer_on_bus(const uint8_t *bytes, uint32_t length)
{
    (void)bytes;
    (void)length;
}
