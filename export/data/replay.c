/* Runs many frames of one exported model in one call, on the emulated core. It is no part of the model, and counted nowhere. */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* All of 32 bits, in the order in which the emulator writes them. */
typedef struct {
    void (*init)(void *state);
    bool (*prepare)(void *prepared, const void *trim);
    uint8_t (*step)(void *state, const void *prepared, void *scratch, const void *counts, int16_t temperature, uint32_t faults, void *reading);
    void *state;
    void *prepared;
    void *scratch;
    void *reading;
    const uint8_t *trims;
    const uint8_t *counts;
    const int32_t *temperatures;
    const uint32_t *faults;
    uint32_t *out;
    uint32_t frames;
    uint32_t stream_frames;
    uint32_t trim_bytes;
    uint32_t counts_bytes;
    uint32_t reading_words;
    uint32_t state_words;
    uint32_t scratch_words;
} job_t;

static uint32_t *copied(uint32_t *to, const void *from, uint32_t words)
{
    const volatile uint32_t *source = (const volatile uint32_t *)from;
    for (uint32_t k = 0U; k < words; ++k) {
        *to++ = source[k];
    }
    return to;
}

/* Gives the number of frames that ran: less than asked for when a trim was refused. */
uint32_t replay(const job_t *job)
{
    const uint8_t *trim = job->trims;
    const uint8_t *counts = job->counts;
    uint32_t *out = job->out;
    uint32_t left = 0U;
    for (uint32_t k = 0U; k < job->frames; ++k) {
        if (left == 0U) {
            left = job->stream_frames;
            job->init(job->state);
            if (!job->prepare(job->prepared, (job->trim_bytes > 0U) ? trim : NULL)) {
                return k;
            }
            trim += job->trim_bytes;
            for (uint32_t word = 0U; word < job->scratch_words; ++word) {
                ((volatile uint32_t *)job->scratch)[word] = 0xA5A5A5A5U;
            }
        }
        --left;
        (void)job->step(job->state, job->prepared, job->scratch, counts, (int16_t)job->temperatures[k], job->faults[k], job->reading);
        counts += job->counts_bytes;
        out = copied(out, job->reading, job->reading_words);
        out = copied(out, job->state, job->state_words);
    }
    return job->frames;
}
