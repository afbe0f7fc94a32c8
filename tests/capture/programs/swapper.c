/* Swaps in many ways, and prints how often the library below was reached: swapper LIBRARY ACT COUNT */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <pthread.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

typedef void (*swap_function)(void *, uintptr_t);
typedef unsigned (*egl_function)(void *, void *);
typedef void *(*find_function)(const char *);
static swap_function swap;
static int count;

static void *many(void *drawable)
{
    for (int i = 0; i < count; i++)
        swap((void *)1, (uintptr_t)drawable);
    return NULL;
}

static int compare(const void *a, const void *b)
{
    long long one = *(const long long *)a, other = *(const long long *)b;
    return one < other ? -1 : one > other;
}

static long long now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (long long)now.tv_sec * 1000000000ll + now.tv_nsec;
}

/* What a swap costs: each call's own time, the clock's included. */
static void cost(void)
{
    long long *took_ns = malloc(sizeof *took_ns * (size_t)count), whole_ns = now_ns();
    for (int i = 0; i < count; i++) {
        long long begun_ns = now_ns();
        swap((void *)1, 3);
        took_ns[i] = now_ns() - begun_ns;
    }
    whole_ns = now_ns() - whole_ns;
    qsort(took_ns, (size_t)count, sizeof *took_ns, compare);
    printf("mean_ns %.1f median_ns %lld p99_ns %lld longest_ns %lld\n", (double)whole_ns / count, took_ns[count / 2],
           took_ns[(long long)count * 99 / 100], took_ns[count - 1]);
}

int main(int argc, char **argv)
{
    if (argc < 4)
        return 2;
    const char *act = argv[2];
    void *library = dlopen(argv[1], RTLD_NOW | RTLD_LOCAL);
    count = atoi(argv[3]);
    if (!library)
        return 3;
    swap = (swap_function)dlsym(library, "glXSwapBuffers");
    egl_function egl = (egl_function)dlsym(library, "eglSwapBuffers");
    int (*so_far)(void) = (int (*)(void))dlsym(library, "swaps_so_far");
    if (!strcmp(act, "dlsym"))
        many((void *)3);
    else if (!strcmp(act, "cost"))
        cost();
    else if (!strcmp(act, "paced")) { /* 25,000 a second */
        for (int i = 0; i < count; i++) {
            long long begun_ns = now_ns();
            swap((void *)1, 3);
            while (now_ns() - begun_ns < 40000)
                ;
        }
    } else if (!strcmp(act, "address")) {
        swap = (swap_function)((find_function)dlsym(library, "glXGetProcAddressARB"))("glXSwapBuffers");
        many((void *)3);
    } else if (!strcmp(act, "egl")) {
        egl = (egl_function)((find_function)dlsym(library, "eglGetProcAddress"))("eglSwapBuffers");
        for (int i = 0; i < count; i++)
            egl((void *)1, (void *)7);
    } else if (!strcmp(act, "refused")) {
        for (int i = 0; i < count; i++)
            egl((void *)1, (void *)(uintptr_t)(i % 10 ? 7 : 13));
    } else if (!strcmp(act, "windows")) { /* a small window beside a large one */
        for (int i = 0; i < count; i++) {
            swap((void *)1, 8);
            swap((void *)1, 2);
            swap((void *)1, 2);
        }
    } else if (!strcmp(act, "threads")) {
        pthread_t threads[2];
        for (int i = 0; i < 2; i++)
            pthread_create(&threads[i], NULL, many, (void *)3);
        for (int i = 0; i < 2; i++)
            pthread_join(threads[i], NULL);
    } else if (!strcmp(act, "fork")) { /* both go on */
        many((void *)3);
        pid_t child = fork();
        if (!child) {
            many((void *)5);
            _exit(0);
        }
        waitpid(child, NULL, 0);
    } else if (!strcmp(act, "crash")) {
        many((void *)3);
        fflush(stdout);
        raise(SIGKILL);
    } else if (!strcmp(act, "scrubbed")) { /* no environment before the first frame */
        clearenv();
        many((void *)3);
    } else if (!strcmp(act, "new-windows")) { /* one after the other */
        for (uintptr_t window = 1000; window < 1000 + (uintptr_t)count; window++)
            for (int i = 0; i < 5; i++)
                swap((void *)1, window);
    } else if (!strcmp(act, "slow")) {
        for (int i = 0; i < count; i++) {
            swap((void *)1, 3);
            usleep(1000);
        }
    } else if (!strcmp(act, "absent")) /* what is not there stays away */
        return dlsym(RTLD_DEFAULT, "glXSwapBuffers") || dlsym(library, "eglSwapBuffersWithDamageKHR") ||
               dlsym(library, "no_such_name");
    printf("%d\n", so_far());
    return 0;
}
