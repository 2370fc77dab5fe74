/*
 * How firmware uses @prefix@.h, from power-on to the outputs of the appliance. To compile and read, not to ship: what belongs to the board
 * stands in the functions below, which here only stand in for it: on a computer they print what a board would report.
 */
#include "@prefix@.h"

#include <stdio.h> /* of those stand-ins alone, both of them */
#include <stdlib.h>

#define STORED_KINDS 2U /* places for trims in non-volatile memory */
#define ALIKE_MOST 20U /* whole frames alike in a row: noise makes that rare. Find the number on the board, or count frames in the converter */

/* Of the board: counts of all channels, broken channels, the thermometer, the stored bytes, its own serial, and the wait for the next frame. */
static void read_counts(@prefix@_count_t *counts);
static uint32_t broken_channels(void); /* those that its own test finds open, shorted or stuck: a model seldom notices one */
static int16_t board_temperature(void);
@pour_of_the_board@static const uint8_t *stored_trims(void);
static const uint8_t *board_serial(void); /* @PREFIX@_SERIAL_LENGTH bytes, or NULL where the board knows none */
static bool wait_for_frame(void); /* false: a frame was missed or came outside its time */
static void pump(bool on);
static void heater(bool on);
static void inlet(bool open);
static bool damage_is_stored(void); /* in non-volatile memory, cleared by a new firmware only */
static void store_damage(void);
static void report(const char *what, uint32_t answer); /* answer: of the call that said no; 0 where none did */
static void answer_on_bus(const uint8_t *bytes, uint32_t length);

static @prefix@_state_t state;
static @prefix@_prepared_t prepared;
static @prefix@_scratch_t scratch;
static @prefix@_selftest_t test;

/*
 * Pump and heater need liquid for certain, so they go by low; the inlet needs room for certain and goes by high. The levels belong to the
 * appliance. Each output has two of them, or a level that hovers around one would switch it with every frame. The heater's stand above the
 * pump's: what heats must stay covered until it is cold. None of this replaces a float switch or a thermal cut-out where a standard asks
 * for one. Where the model was trained on tanks of several heights, its span is the tallest one's: put the appliance's own in its place, or
 * the inlet stays open while a lower tank overflows.
 */
#define PUMP_OFF (10 * @PREFIX@_UNITS_PER_MM)
#define PUMP_ON (15 * @PREFIX@_UNITS_PER_MM)
#define HEATER_OFF (20 * @PREFIX@_UNITS_PER_MM)
#define HEATER_ON (25 * @PREFIX@_UNITS_PER_MM)
#define INLET_CLOSES (@PREFIX@_SPAN - (10 * @PREFIX@_UNITS_PER_MM))
#define INLET_OPENS (@PREFIX@_SPAN - (15 * @PREFIX@_UNITS_PER_MM))

static bool pumping, heating, filling;

static void put_out(void)
{
    pump(pumping);
    heater(heating);
    inlet(filling);
}

static void safe_state(void)
{
    pumping = false;
    heating = false;
    filling = false;
    put_out();
}

/* On beyond one level, off beyond the other, as it was between them. */
static bool between(bool was, int32_t level, int32_t off, int32_t on)
{
    return (level > on) || (was && (level > off));
}

static void go_by(const @prefix@_reading_t *reading)
{
    pumping = between(pumping, reading->low, PUMP_OFF, PUMP_ON);
    heating = between(heating, reading->low, HEATER_OFF, HEATER_ON);
    filling = !between(!filling, reading->high, INLET_OPENS, INLET_CLOSES);
    put_out();
}

/* True when the model may run. */
static bool power_on(void)
{
    static @prefix@_count_t trim[(@PREFIX@_TRIM_COUNTS > 0) ? @PREFIX@_TRIM_COUNTS : 1];
    uint8_t answer = @PREFIX@_SELFTEST_RUNNING;
    safe_state();
    if (damage_is_stored()) {
        report("tables or code of the model were found damaged before", 0U);
        return false;
    }
    if (@prefix@_model_id() != @PREFIX@_MODEL_ID) {
        report("header and library are of different models", 0U);
        return false;
    }
    @prefix@_selftest_init(&test, &scratch);
    while (answer == @PREFIX@_SELFTEST_RUNNING) {
        answer = @prefix@_selftest_slice(&test, @PREFIX@_SLICE_BYTES);
    }
    if (answer != @PREFIX@_SELFTEST_OK) {
        store_damage();
        report("tables or code of the model are damaged", 0U);
        return false;
    }
    answer = @prefix@_trim_check(stored_trims(), STORED_KINDS * @PREFIX@_TRIM_LENGTH, trim, board_serial());
    if (answer != @PREFIX@_TRIM_OK) {
        report("no usable trim is stored: see @PREFIX@_TRIM_ in @prefix@.h", answer);
        return false;
    }
    if (!@prefix@_prepare(&prepared, trim)) {
        report("the trim is outside the limits of the model", 0U);
        return false;
    }
    @prefix@_init(&state);
    answer_on_bus(@prefix@_identity, @PREFIX@_IDENTITY_BYTES); /* so that a unit in the field can be traced back */
    @prefix@_selftest_init(&test, &scratch); /* goes on while the appliance runs */
    return true;
}

/* Whether the converter still gives new frames: a model does not notice for certain that the same one comes again and again. */
static bool is_new(const @prefix@_count_t *counts)
{
    static @prefix@_count_t before[@PREFIX@_CHANNELS];
    static uint32_t alike;
    bool same = true;
    for (uint32_t k = 0U; k < @PREFIX@_CHANNELS; ++k) {
        same = same && (counts[k] == before[k]);
        before[k] = counts[k];
    }
    if (!same) {
        alike = 0U;
    } else if (alike < ALIKE_MOST) {
        ++alike;
    } else {
        /* it stays at the most */
    }
    return alike < ALIKE_MOST;
}

/* One frame; false when the tables or the code were found damaged: that is looked at before any level is, and it stays so over a restart. */
static bool frame(void)
{
    @prefix@_count_t counts[@PREFIX@_CHANNELS];
    @prefix@_reading_t reading;
    const uint8_t answer = @prefix@_selftest_slice(&test, @PREFIX@_SLICE_BYTES);
    if (answer == @PREFIX@_SELFTEST_BAD) {
        safe_state();
        store_damage();
        return false;
    }
    if ((answer == @PREFIX@_SELFTEST_OK) || ((@PREFIX@_SLICE_KNOWN == 0) && (test.at >= @PREFIX@_TABLES_LENGTH))) {
        @prefix@_selftest_init(&test, &scratch); /* the tables are whole; where no frame has room for it, the known answer waits for power-on */
    }
    read_counts(counts);
    if (!is_new(counts)) {
        safe_state();
        @prefix@_init(&state); /* what comes after it begins anew */
    } else if (@prefix@_step(&state, &prepared, &scratch, counts, board_temperature(), broken_channels(),@poured@ &reading) == @PREFIX@_WITHHELD) {
        safe_state();
    } else {
        go_by(&reading);
    }
    return true;
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
    report("level sensing has stopped", 0U);
    return 1;
}

/* In place of a board: no counts, no trims, the time always kept, for so many frames. */
#define FRAMES_HERE 100U

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
@pour_in_place@
static const uint8_t *stored_trims(void)
{
    static uint8_t bytes[STORED_KINDS * @PREFIX@_TRIM_LENGTH]; /* as erased flash reads */
    for (uint32_t k = 0U; k < (STORED_KINDS * @PREFIX@_TRIM_LENGTH); ++k) {
        bytes[k] = 0xFFU;
    }
    return bytes;
}

static const uint8_t *board_serial(void)
{
    return NULL;
}

static bool wait_for_frame(void)
{
    static uint32_t frames;
    if (frames == FRAMES_HERE) {
        (void)printf("%u frames without a board, all counts 0: pump %s, heater %s, inlet %s; a board goes on\n", (unsigned)frames,
                     pumping ? "on" : "off", heating ? "on" : "off", filling ? "open" : "closed");
        exit(0);
    }
    ++frames;
    return true;
}

static void pump(bool on)
{
    (void)on;
}

static void heater(bool on)
{
    (void)on;
}

static void inlet(bool open)
{
    (void)open;
}

static bool damaged;

static bool damage_is_stored(void)
{
    return damaged;
}

static void store_damage(void)
{
    damaged = true;
}

static void report(const char *what, uint32_t answer)
{
    (void)printf("%s", what);
    (void)((answer == 0U) ? printf("\n") : printf(" (answer %u)\n", (unsigned)answer));
}

static void answer_on_bus(const uint8_t *bytes, uint32_t length)
{
    (void)printf("identity ");
    for (uint32_t k = 0U; k < length; ++k) {
        (void)printf("%02x", (unsigned)bytes[k]);
    }
    (void)printf("\n");
}
