/* A clock of its own for a process and its children: the machine's plus as many seconds as the file CLOCK_AHEAD holds.
   What counts from some start, by which programs wait (CLOCK_MONOTONIC), stays. Loaded by LD_PRELOAD (ld.so(8)). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <semaphore.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>

static long ahead(void) {
    static volatile long *held;
    static long none;
    if (!held) {
        const char *name = getenv("CLOCK_AHEAD");
        int file = name ? open(name, O_RDONLY | O_CLOEXEC) : -1;
        void *page = file < 0 ? MAP_FAILED : mmap(0, sizeof none, PROT_READ, MAP_SHARED, file, 0);
        held = page == MAP_FAILED ? &none : page;
    }
    return *held;
}

int clock_gettime(clockid_t clock, struct timespec *at) {
    static int (*real)(clockid_t, struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "clock_gettime");
    int failed = real(clock, at);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) at->tv_sec += ahead();
    return failed;
}

int gettimeofday(struct timeval *restrict at, void *restrict zone) {
    struct timespec now;
    (void)zone;
    int failed = clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return failed;
}

time_t time(time_t *at) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at) *at = now.tv_sec;
    return now.tv_sec;
}

int sem_timedwait(sem_t *restrict waited, const struct timespec *restrict until) {
    static int (*real)(sem_t *, const struct timespec *);
    if (!real) real = dlsym(RTLD_NEXT, "sem_timedwait");
    struct timespec there = *until;
    there.tv_sec -= ahead();
    return real(waited, &there);
}
