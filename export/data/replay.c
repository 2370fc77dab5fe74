/* Runs many frames of one exported model in one call, on the emulated core. It is no part of the model, and counted nowhere. */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

typedef struct {
@job_members@
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
        (void)job->step(job->state, job->prepared, job->scratch, counts, (int16_t)job->temperatures[k], job->faults[k],@pour@ job->reading);
        counts += job->counts_bytes;
        out = copied(out, job->reading, job->reading_words);
        out = copied(out, job->state, job->state_words);
    }
    return job->frames;
}
