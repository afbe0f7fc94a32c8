#define _GNU_SOURCE
#include "ring.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static struct ring_header *_Atomic ring;
static _Atomic int given_up;
static _Atomic uint32_t serials;
static char rings[3072]; /* folder of the rings; empty: none is wanted */
static pthread_mutex_t opening = PTHREAD_MUTEX_INITIALIZER;
static __thread uint32_t thread_id __attribute__((tls_model("initial-exec")));

/* As the process begins: it may clear its environment before its first frame. */
__attribute__((constructor)) static void find_rings(void)
{
    const char *folder = getenv("LEVELRIG_CAPTURE");
    if (folder && folder[0] == '/' && strlen(folder) < sizeof rings)
        strcpy(rings, folder);
}

uint64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

uint32_t own_thread(void)
{
    if (!thread_id)
        thread_id = (uint32_t)syscall(SYS_gettid);
    return thread_id;
}

uint32_t next_serial(void)
{
    return atomic_fetch_add(&serials, 1) + 1;
}

/* A forked process has a ring of its own. */
static void after_fork(void)
{
    pthread_mutex_init(&opening, NULL);
    atomic_store(&ring, NULL);
    atomic_store(&given_up, 0);
    thread_id = 0;
}

void tell_failure(const char *what, int error_number)
{
    char path[4096];
    if (!rings[0] || snprintf(path, sizeof path, "%s/%d.%s-%d.failed", rings, (int)getpid(), what, error_number) >=
                         (int)sizeof path)
        return;
    int file = open(path, O_CREAT | O_WRONLY | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (file >= 0)
        close(file);
}

static struct ring_header *open_ring(void)
{
    if (!rings[0])
        return NULL;
    size_t bytes = RING_HEADER_BYTES + (size_t)RING_CAPACITY * sizeof(struct ring_record);
    struct rlimit files;
    if (!getrlimit(RLIMIT_FSIZE, &files) && files.rlim_cur < bytes) { /* a larger file would end the process */
        tell_failure("limit", 0);
        return NULL;
    }
    char path[4096];
    uint64_t begun_ns = now_ns();
    if (snprintf(path, sizeof path, "%s/%d-%llx.ring", rings, (int)getpid(), (unsigned long long)begun_ns) >=
        (int)sizeof path)
        return NULL;
    int file = open(path, O_CREAT | O_EXCL | O_RDWR | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (file < 0) {
        tell_failure("open", errno);
        return NULL;
    }
    int failed = posix_fallocate(file, 0, (off_t)bytes); /* room that is there: no signal on a full disk */
    struct ring_header *found = MAP_FAILED;
    if (!failed)
        found = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    if (found == MAP_FAILED) {
        tell_failure("space", failed ? failed : errno);
        unlink(path);
        close(file);
        return NULL;
    }
    close(file);
    memset(found, 0, bytes); /* every page is written now, so that no frame waits for one */
    found->header_bytes = RING_HEADER_BYTES;
    found->record_bytes = sizeof(struct ring_record);
    found->capacity = RING_CAPACITY;
    found->process_id = (uint32_t)getpid();
    found->begun_ns = begun_ns;
    ssize_t length = readlink("/proc/self/exe", found->program, sizeof found->program - 1);
    found->program[length > 0 ? length : 0] = 0;
    atomic_thread_fence(memory_order_release);
    memcpy(found->magic, RING_MAGIC, 8);
    return found;
}

struct ring_header *ring_of_process(void)
{
    static int forks_watched;
    struct ring_header *found = atomic_load_explicit(&ring, memory_order_acquire);
    if (found || atomic_load_explicit(&given_up, memory_order_relaxed))
        return found;
    int error_number = errno;
    pthread_mutex_lock(&opening);
    found = atomic_load(&ring);
    if (!found && !atomic_load(&given_up)) {
        if (!forks_watched) {
            forks_watched = 1;
            pthread_atfork(NULL, NULL, after_fork);
        }
        found = open_ring();
        atomic_store_explicit(&ring, found, memory_order_release);
        if (!found)
            atomic_store(&given_up, 1);
    }
    pthread_mutex_unlock(&opening);
    errno = error_number;
    return found;
}

void record_present(const struct ring_record *facts)
{
    struct ring_header *header = ring_of_process();
    if (!header)
        return;
    uint64_t place = atomic_fetch_add_explicit(&header->head, 1, memory_order_relaxed);
    struct ring_record *record =
        (struct ring_record *)((char *)header + RING_HEADER_BYTES) + (place & (RING_CAPACITY - 1));
    atomic_store_explicit(&record->sequence, 0, memory_order_relaxed);
    atomic_thread_fence(memory_order_release);
    record->call_ns = facts->call_ns;
    record->return_ns = facts->return_ns;
    record->present_id = facts->present_id;
    record->width = facts->width;
    record->height = facts->height;
    record->result = facts->result;
    record->thread = own_thread();
    record->surface = facts->surface;
    record->swapchain = facts->swapchain;
    record->image = facts->image;
    record->kind_queue = facts->kind_queue;
    atomic_store_explicit(&record->sequence, place + 1, memory_order_release);
}
