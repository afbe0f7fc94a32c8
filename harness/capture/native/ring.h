/* The ring that presents are recorded into: one file a process, mapped, read by levelrig from outside.
 *
 * A record costs two readings of the clock (no system call on Linux), one atomic addition and 64 bytes of
 * memory: no call into the system, no lock, no allocation. The file survives the process, however it ends.
 * harness/capture/ring.py reads what is laid out here; a change needs another magic there and here.
 */
#ifndef LEVELRIG_RING_H
#define LEVELRIG_RING_H

#include <stdatomic.h>
#include <stdint.h>

#define RING_MAGIC "LVLRING1"
#define RING_CAPACITY 65536u /* records; a power of two */
#define RING_HEADER_BYTES 4096u

/* What was called. */
enum present_kind { PRESENT_VULKAN = 1, PRESENT_GLX = 2, PRESENT_EGL = 3, PRESENT_DISPLAYED = 4 };

struct ring_record {
    _Atomic uint64_t sequence; /* place in the stream of records + 1; 0 while it is being written */
    uint64_t call_ns;          /* CLOCK_MONOTONIC as the program called; of PRESENT_DISPLAYED: as it was seen */
    uint64_t return_ns;        /* ... and as the call returned */
    uint64_t present_id;       /* ties a PRESENT_DISPLAYED to its present; 0: none */
    uint32_t width, height;    /* of the swapchain or drawable, pixels; 0: unknown */
    int32_t result;            /* below 0: refused */
    uint32_t thread;
    uint32_t surface;   /* serial of the surface or drawable in this process */
    uint32_t swapchain; /* serial of the swapchain in this process; of OpenGL the surface's */
    uint32_t image;     /* index of the swapchain's image; of OpenGL 0 */
    uint32_t kind_queue; /* kind in the top 8 bits, a short hash of the queue below */
};

struct ring_header {
    char magic[8]; /* written last */
    uint32_t header_bytes, record_bytes;
    uint64_t capacity;
    uint32_t process_id, display_times; /* 0: not asked for, 1: recorded, 2: not offered by the device */
    uint64_t begun_ns;
    char program[256];
    char pad[512 - 296];
    _Atomic uint64_t head; /* records begun; on a cache line of its own */
};

_Static_assert(sizeof(struct ring_record) == 64, "a record is one cache line");

uint64_t now_ns(void);
uint32_t own_thread(void);
/* The process's ring; NULL where it can't be had or is not wanted. Opened by the first call. */
struct ring_header *ring_of_process(void);
uint32_t next_serial(void);
void record_present(const struct ring_record *facts);
/* Told once: why nothing will be recorded, as a file name in the capture's folder. */
void tell_failure(const char *what, int error_number);

#endif
