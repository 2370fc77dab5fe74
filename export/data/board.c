/*
 * Runs @prefix@.c on a board over test vectors that come over a line, and sends back what it answered, in how many cycles and on how much stack:
 * "innage verify BUNDLE --port PORT" is the other end. To be built into a test image of the firmware's, not to be shipped.
 *
 * THE PORT
 *
 *   Three functions are the board's own, declared below: get a byte, put a byte, read a counter of cycles. Its main sets up clock and line and
 *   calls @prefix@_board_run(), which does not come back. Two counters stand at the end as examples: define @PREFIX@_BOARD_SYSTICK (ARMv6-M,
 *   ARMv7-M) or @PREFIX@_BOARD_MCYCLE (RISC-V) when compiling. Any line that carries all 256 values of a byte will do; what a byte waits for on its way
 *   costs time only, since the other end sends nothing before it has its answer.
 *
 * THE LINE
 *
 *   Frames begin and end with the byte 0x7E. Inside, 0x7E and 0x7D are sent as 0x7D and the byte with bit 5 turned over (the octet stuffing of
 *   RFC 1662, 4.2), so that whatever went before, the next 0x7E begins anew. A frame holds, numbers little-endian:
 *
 *     2 bytes   length of the payload
 *     1         type
 *     1         number, the same in request and answer
 *     length    payload
 *     4         CRC-32 (IEEE 802.3, reflected) of all bytes before
 *
 *   A request that is damaged gets no answer; the other end sends it again under its number. One that was answered already is not carried out
 *   again: its answer is sent once more. Requests, and the payload of each and of its answer, which has the type with bit 7 set:
 *
 *     1 hello     1 version of this protocol
 *                 answer: 1 version, 1 bytes of a count, 1 channels, 1 built (0 unknown, 1 for speed, 2 for size), 2 trim counts, 2 bytes of a
 *                 reading, 2 bytes of a state (0: none), 2 bytes of stack that are painted, 4 clock in Hz (0 unknown), 4 bytes of RAM that this image's
 *                 model and line take, 56 identity of the model, 1 and that many characters of the board's name, the same of the compiler
 *     2 test      nothing
 *                 answer: 1 of the self-test, 1 for passed
 *     3 begin     trim counts; begins a stream as a power-on does
 *                 answer: 1 whether the trim was accepted, 4 cycles of prepare
 *     4 step      counts, 2 temperature, 4 faults@pour_on_the_line@
 *                 answer: 4 cycles of step, the reading, the state, both as they lie in memory
 *     5 measured  nothing
 *                 answer: 2 deepest stack of prepare and step in bytes, all that is painted where it was not enough; 4 damaged frames since the hello
 *     (any)       answer of type 0xFF where a request cannot be carried out: 1 why: 1 unknown type, 2 another length, 3 no hello was said, or no
 *                 stream begun: the board started anew
 */
#include "@prefix@.h"

/* The port, to be written for the board. */
int @prefix@_board_get(void);           /* the next byte that came, 0 to 255; negative where there is none yet (it may also wait for one) */
void @prefix@_board_put(uint8_t byte);  /* send a byte; waits until it can be sent */
uint32_t @prefix@_board_cycles(void);   /* cycles of the core, counting up, from any value on */

void @prefix@_board_run(void);

#ifndef @PREFIX@_BOARD_NAME
#define @PREFIX@_BOARD_NAME ""  /* what the board calls itself, printable ASCII */
#endif
#ifndef @PREFIX@_BOARD_CLOCK_HZ
#define @PREFIX@_BOARD_CLOCK_HZ 0U
#endif
#ifndef @PREFIX@_BOARD_PAINT
#define @PREFIX@_BOARD_PAINT 512U  /* bytes below the stack pointer that are painted; so much must be free there */
#endif
#ifndef @PREFIX@_BOARD_CYCLES_MASK
#ifdef @PREFIX@_BOARD_SYSTICK
#define @PREFIX@_BOARD_CYCLES_MASK 0x00FFFFFFU
#else
#define @PREFIX@_BOARD_CYCLES_MASK 0xFFFFFFFFU  /* bits that the counter has */
#endif
#endif

#define VERSION 1U
#define FLAG 0x7EU
#define ESCAPE 0x7DU
#define TURNED 0x20U
#define HELLO 1U
#define TEST 2U
#define BEGIN 3U
#define STEP 4U
#define MEASURED 5U
#define ANSWERS 0x80U
#define REFUSED 0xFFU
#define UNKNOWN_TYPE 1U
#define OTHER_LENGTH 2U
#define NOT_BEGUN 3U

#define HEAD 4U
#define CRC 4U
#define LONGEST_TEXT 64U
#define PAINT 0xA5A5A5A5U
#define COUNT_BYTES ((uint32_t)sizeof(@prefix@_count_t))
#define TRIM_BYTES ((uint32_t)(@PREFIX@_TRIM_COUNTS) * COUNT_BYTES)
#define FRAME_BYTES (((uint32_t)(@PREFIX@_CHANNELS) * COUNT_BYTES) + 6U@pour_bytes@)
#define PAYLOAD ((TRIM_BYTES > FRAME_BYTES) ? TRIM_BYTES : FRAME_BYTES)
#define READING_BYTES ((uint32_t)sizeof(@prefix@_reading_t))
#define STATE_BYTES ((@PREFIX@_STATE_VALUES > 0) ? (uint32_t)sizeof(@prefix@_state_t) : 0U)

/* The stack pointer, and the bytes of step's arguments that lie above it. Elsewhere no stack is painted. */
#if defined(__GNUC__) && defined(__arm__)
#define STACK_POINTER(here) __asm__ volatile("mov %0, sp" : "=r"(here))
#define PAINTED ((uint32_t)(@PREFIX@_BOARD_PAINT))
#define ARGUMENTS 16U
#elif defined(__GNUC__) && defined(__riscv)
#define STACK_POINTER(here) __asm__ volatile("mv %0, sp" : "=r"(here))
#define PAINTED ((uint32_t)(@PREFIX@_BOARD_PAINT))
#define ARGUMENTS 0U
#else
#define STACK_POINTER(here) ((here) = 0U)
#define PAINTED 0U
#define ARGUMENTS 0U
#endif

#ifdef __GNUC__
#define APART __attribute__((noinline))
#define ALWAYS_INLINE inline __attribute__((always_inline))
#else
#define APART
#define ALWAYS_INLINE inline
#endif

#if defined(__clang__)
#define COMPILER __VERSION__
#elif defined(__GNUC__)
#define COMPILER "GCC " __VERSION__
#else
#define COMPILER ""
#endif
#if defined(__OPTIMIZE_SIZE__)
#define BUILT 2U
#elif defined(__OPTIMIZE__)
#define BUILT 1U
#else
#define BUILT 0U
#endif

typedef uint8_t (*step_t)(@prefix@_state_t *state, const @prefix@_prepared_t *prepared, @prefix@_scratch_t *scratch,
                          const @prefix@_count_t *counts, int16_t temperature, uint32_t faults,@since_pour@ @prefix@_reading_t *reading);
typedef bool (*prepare_t)(@prefix@_prepared_t *prepared, const @prefix@_count_t *trim);

/* All memory: of the model, whose self-test has its own in the same place, and of the line. */
static struct {
    union {
        @prefix@_selftest_t test;
        struct {
            @prefix@_state_t state;
            @prefix@_prepared_t prepared;
            @prefix@_reading_t reading;
        } model;
    } of;
    @prefix@_scratch_t scratch;
    union {
        uint8_t bytes[HEAD + PAYLOAD + CRC];
        @prefix@_count_t counts[(HEAD + PAYLOAD + CRC) / COUNT_BYTES];
        uint32_t words;
    } request;
    uint32_t length;    /* bytes of the request so far */
    uint32_t crc;       /* of the answer so far */
    uint32_t cycles;    /* of the last call of the model */
    uint32_t idle_step; /* of a call that does nothing: what measuring itself takes */
    uint32_t idle_prepare;
    uint32_t deepest;
    uint32_t damaged;
    bool escaped;
    bool greeted;
    bool begun;
    bool accepted;
    uint8_t passed;
    uint8_t type; /* of the last request that was answered, and its number */
    uint8_t number;
} own;

/* -- the line -- */

static uint32_t crc_with(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint32_t bit = 0U; bit < 8U; ++bit) {
        crc = (crc >> 1) ^ (0xEDB88320U & (0U - (crc & 1U)));
    }
    return crc;
}

static void put_stuffed(uint8_t byte)
{
    if ((byte == FLAG) || (byte == ESCAPE)) {
        @prefix@_board_put(ESCAPE);
        byte ^= TURNED;
    }
    @prefix@_board_put(byte);
}

static void put_byte(uint32_t byte)
{
    own.crc = crc_with(own.crc, (uint8_t)byte);
    put_stuffed((uint8_t)byte);
}

static void put_number(uint32_t value, uint32_t bytes)
{
    for (uint32_t k = 0U; k < bytes; ++k) {
        put_byte((value >> (8U * k)) & 0xFFU);
    }
}

static void put_bytes(const void *from, uint32_t bytes)
{
    const uint8_t *byte = (const uint8_t *)from;
    for (uint32_t k = 0U; k < bytes; ++k) {
        put_byte(byte[k]);
    }
}

static void put_text(const char *text, uint32_t length)
{
    const uint32_t shown = (length < LONGEST_TEXT) ? length : LONGEST_TEXT;
    put_byte(shown);
    put_bytes(text, shown);
}

static uint32_t text_bytes(uint32_t length)
{
    return 1U + ((length < LONGEST_TEXT) ? length : LONGEST_TEXT);
}

static void begin_answer(uint32_t type, uint32_t length)
{
    own.crc = 0xFFFFFFFFU;
    @prefix@_board_put(FLAG);
    put_number(length, 2U);
    put_byte(type);
    put_byte(own.request.bytes[3]);
}

static void end_answer(void)
{
    const uint32_t crc = ~own.crc;
    for (uint32_t k = 0U; k < CRC; ++k) {
        put_stuffed((uint8_t)((crc >> (8U * k)) & 0xFFU));
    }
    @prefix@_board_put(FLAG);
}

static void refuse(uint32_t why)
{
    begin_answer(REFUSED, 1U);
    put_byte(why);
    end_answer();
}

static uint32_t number_at(uint32_t at, uint32_t bytes)
{
    uint32_t value = 0U;
    for (uint32_t k = 0U; k < bytes; ++k) {
        value |= (uint32_t)own.request.bytes[at + k] << (8U * k);
    }
    return value;
}

/* Whether what came since the last flag is a frame as it was sent. */
static bool is_whole(void)
{
    uint32_t crc = 0xFFFFFFFFU;
    if ((own.length < (HEAD + CRC)) || (own.length > sizeof own.request.bytes) || (number_at(0U, 2U) != (own.length - HEAD - CRC))) {
        return false;
    }
    for (uint32_t k = 0U; k < (own.length - CRC); ++k) {
        crc = crc_with(crc, own.request.bytes[k]);
    }
    return number_at(own.length - CRC, CRC) == (uint32_t)~crc;
}

/* Take a byte; true when it ends a frame. */
static bool take(uint8_t byte)
{
    if (byte == FLAG) {
        const bool whole = is_whole();
        own.damaged += ((own.length > 0U) && !whole) ? 1U : 0U;
        own.length = 0U;
        own.escaped = false;
        return whole;
    }
    if (byte == ESCAPE) {
        own.escaped = true;
        return false;
    }
    if (own.length < sizeof own.request.bytes) {
        own.request.bytes[own.length] = own.escaped ? (uint8_t)(byte ^ TURNED) : byte;
        ++own.length;
    } else {
        own.length = (uint32_t)sizeof own.request.bytes + 1U; /* too long for any request */
    }
    own.escaped = false;
    return false;
}

/* -- the model, measured -- */

static ALWAYS_INLINE void paint(uintptr_t top)
{
    for (uintptr_t at = top - PAINTED; at < top; at += 4U) {
        *(volatile uint32_t *)at = PAINT;
    }
}

static ALWAYS_INLINE void look_at_stack(uintptr_t top, uint32_t above)
{
    uintptr_t at = top - PAINTED;
    while ((at < top) && (*(volatile uint32_t *)at == PAINT)) {
        at += 4U;
    }
    const uint32_t depth = (uint32_t)(top - at);
    const uint32_t used = (depth != PAINTED) ? (depth + above) : PAINTED;
    own.deepest = (used > own.deepest) ? used : own.deepest;
}

static uint8_t idle_step(@prefix@_state_t *state, const @prefix@_prepared_t *prepared, @prefix@_scratch_t *scratch,
                         const @prefix@_count_t *counts, int16_t temperature, uint32_t faults,@since_pour@ @prefix@_reading_t *reading)
{
    (void)state;
    (void)prepared;
    (void)scratch;
    (void)counts;
    (void)temperature;
    (void)faults;
@spare_pour@    (void)reading;
    return 0U;
}

static bool idle_prepare(@prefix@_prepared_t *prepared, const @prefix@_count_t *trim)
{
    (void)prepared;
    (void)trim;
    return false;
}

static const @prefix@_count_t *sent_counts(void)
{
    return &own.request.counts[HEAD / COUNT_BYTES];
}

/* Cycles of one call. What is called is not known here, so that the same code calls what does nothing. */
static APART uint32_t step_cycles(step_t step)
{
    const uint32_t counts_end = HEAD + FRAME_BYTES - 6U@minus_pour@;
    const int16_t temperature = (int16_t)(uint16_t)number_at(counts_end, 2U);
    const uint32_t faults = number_at(counts_end + 2U, 4U);
@take_pour@    uintptr_t top;
    STACK_POINTER(top);
    paint(top);
    const uint32_t start = @prefix@_board_cycles();
    (void)step(&own.of.model.state, &own.of.model.prepared, &own.scratch, sent_counts(), temperature, faults,@pour@ &own.of.model.reading);
    const uint32_t stop = @prefix@_board_cycles();
    look_at_stack(top, ARGUMENTS);
    return (stop - start) & @PREFIX@_BOARD_CYCLES_MASK;
}

static APART uint32_t prepare_cycles(prepare_t prepare)
{
    const @prefix@_count_t *const trim = (@PREFIX@_TRIM_COUNTS > 0) ? sent_counts() : NULL;
    uintptr_t top;
    STACK_POINTER(top);
    paint(top);
    const uint32_t start = @prefix@_board_cycles();
    own.accepted = prepare(&own.of.model.prepared, trim);
    const uint32_t stop = @prefix@_board_cycles();
    look_at_stack(top, 0U);
    return (stop - start) & @PREFIX@_BOARD_CYCLES_MASK;
}

static uint32_t beyond(uint32_t cycles, uint32_t idle)
{
    return (cycles > idle) ? (cycles - idle) : 0U;
}

static volatile step_t step_now;
static volatile prepare_t prepare_now;

static void run_step(void)
{
    step_now = @prefix@_step;
    own.cycles = beyond(step_cycles(step_now), own.idle_step);
}

static void run_prepare(void)
{
    @prefix@_init(&own.of.model.state);
    prepare_now = @prefix@_prepare;
    own.cycles = beyond(prepare_cycles(prepare_now), own.idle_prepare);
    own.begun = own.accepted;
}

static void run_test(void)
{
    own.begun = false; /* the test's memory is the model's */
    own.passed = @PREFIX@_SELFTEST_RUNNING;
    @prefix@_selftest_init(&own.of.test, &own.scratch);
    while (own.passed == @PREFIX@_SELFTEST_RUNNING) {
        own.passed = @prefix@_selftest_slice(&own.of.test, @PREFIX@_SLICE_BYTES);
    }
}

/* -- requests -- */

static void say_hello(void)
{
    const uint32_t name = (uint32_t)sizeof(@PREFIX@_BOARD_NAME) - 1U, compiler = (uint32_t)sizeof(COMPILER) - 1U;
    own.greeted = true;
    own.begun = false;
    own.damaged = 0U;
    step_now = idle_step;
    own.idle_step = step_cycles(step_now);
    prepare_now = idle_prepare;
    own.idle_prepare = prepare_cycles(prepare_now);
    own.deepest = 0U;
    begin_answer(HELLO | ANSWERS, 20U + @PREFIX@_IDENTITY_BYTES + text_bytes(name) + text_bytes(compiler));
    put_byte(VERSION);
    put_byte(COUNT_BYTES);
    put_byte(@PREFIX@_CHANNELS);
    put_byte(BUILT);
    put_number(@PREFIX@_TRIM_COUNTS, 2U);
    put_number(READING_BYTES, 2U);
    put_number(STATE_BYTES, 2U);
    put_number(PAINTED, 2U);
    put_number(@PREFIX@_BOARD_CLOCK_HZ, 4U);
    put_number((uint32_t)sizeof own, 4U);
    put_bytes(@prefix@_identity, @PREFIX@_IDENTITY_BYTES);
    put_text(@PREFIX@_BOARD_NAME, name);
    put_text(COMPILER, compiler);
    end_answer();
}

static void say_step(void)
{
    begin_answer(STEP | ANSWERS, 4U + READING_BYTES + STATE_BYTES);
    put_number(own.cycles, 4U);
    put_bytes(&own.of.model.reading, READING_BYTES);
    put_bytes(&own.of.model.state, STATE_BYTES);
    end_answer();
}

static void answer(void)
{
    const uint32_t length = number_at(0U, 2U);
    const uint8_t type = own.request.bytes[2], number = own.request.bytes[3];
    const bool again = (type == own.type) && (number == own.number);
    const bool known = (type >= HELLO) && (type <= MEASURED);
    const uint32_t expected = (type == HELLO) ? 1U : (type == BEGIN) ? TRIM_BYTES : (type == STEP) ? FRAME_BYTES : 0U;
    const bool ready = (type == HELLO) || (own.greeted && ((type != STEP) || own.begun));
    if (!known || (length != expected) || !ready) {
        refuse(!known ? UNKNOWN_TYPE : (length != expected) ? OTHER_LENGTH : NOT_BEGUN);
        return;
    }
    own.type = type;
    own.number = number;
    if (type == HELLO) {
        say_hello();
    } else if (type == TEST) {
        if (!again) {
            run_test();
        }
        begin_answer(TEST | ANSWERS, 1U);
        put_byte(own.passed);
        end_answer();
    } else if (type == BEGIN) {
        if (!again) {
            run_prepare();
        }
        begin_answer(BEGIN | ANSWERS, 5U);
        put_byte(own.accepted ? 1U : 0U);
        put_number(own.cycles, 4U);
        end_answer();
    } else if (type == STEP) {
        if (!again) {
            run_step();
        }
        say_step();
    } else {
        begin_answer(MEASURED | ANSWERS, 6U);
        put_number(own.deepest, 2U);
        put_number(own.damaged, 4U);
        end_answer();
    }
}

void @prefix@_board_run(void)
{
    for (;;) {
        const int byte = @prefix@_board_get();
        if ((byte >= 0) && take((uint8_t)byte)) {
            answer();
        }
    }
}

/* -- examples of a counter -- */

#if defined(@PREFIX@_BOARD_SYSTICK)
/* The system timer of ARMv6-M and ARMv7-M (Arm DDI 0419, B3.3): 24 bits, counting down at the clock of the core; not to be used by anything else. */
uint32_t @prefix@_board_cycles(void)
{
    volatile uint32_t *const systick = (volatile uint32_t *)0xE000E010U; /* control and status, reload, current value */
    if ((systick[0] & 1U) == 0U) {
        systick[1] = 0x00FFFFFFU;
        systick[2] = 0U;
        systick[0] = 5U; /* enabled, clock of the core, no interrupt */
    }
    return 0x00FFFFFFU - (systick[2] & 0x00FFFFFFU);
}
#elif defined(@PREFIX@_BOARD_MCYCLE)
/* The lower half of the machine's cycle counter (RISC-V privileged architecture, 3.1.10); newer assemblers want zicsr in -march. */
uint32_t @prefix@_board_cycles(void)
{
    uint32_t cycles;
    __asm__ volatile("csrr %0, mcycle" : "=r"(cycles));
    return cycles;
}
#endif
