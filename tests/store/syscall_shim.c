/* Preloaded into a test process: counts, breaks or records the system calls that reach one folder, those of
   SQLite among them. Used by break_syscalls.py; built there with the system's C compiler. Linux only. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

enum { KILL = 1, KILL_WITHIN = 2, FAIL_EIO = 3, FAIL_ENOSPC = 4 };

static char folder[PATH_MAX];
static int log_fd = -1, at = 0, how = 0, count = 0, writes_only = 0;

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

void shim_arm(const char *watched, int break_at, int break_how, int record_fd) {
    snprintf(folder, sizeof folder, "%s", watched);
    at = break_at; how = break_how; log_fd = record_fd; count = 0;
    writes_only = break_how == KILL_WITHIN || break_how == FAIL_ENOSPC;
}
int shim_count(void) { return count; }

static int watched(const char *path) {
    size_t length = strlen(folder);
    if (!length || strncmp(path, folder, length)) return 0;
    size_t all = strlen(path);
    return !(all > 4 && !strcmp(path + all - 4, "-shm"));
}
static int path_of(int fd, char *path) {
    char link[64];
    if (!*folder || fd == log_fd) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, PATH_MAX - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return watched(path);
}
static void record(char op, const char *path, const char *other, int64_t offset, const void *data, uint32_t size) {
    if (log_fd < 0) return;
    uint16_t a = strlen(path), b = other ? strlen(other) : 0;
    __typeof__(&write) real = REAL(write);
    real(log_fd, &op, 1); real(log_fd, &a, 2); real(log_fd, &b, 2); real(log_fd, &offset, 8); real(log_fd, &size, 4);
    real(log_fd, path, a); if (b) real(log_fd, other, b); if (size) real(log_fd, data, size);
}
/* 0: go on; -1: fail with errno set. Half of a write is done by the caller when it is to be killed within. */
static int hit(int is_write, int is_sync) {
    if (writes_only && !is_write) return 0;
    if (how == FAIL_EIO && !is_sync) return 0;
    if (++count != at) return 0;
    if (how == KILL) kill(getpid(), SIGKILL);
    if (how == FAIL_EIO) { errno = EIO; return -1; }
    return 1;
}
static int broken_write(int verdict) {
    if (how == KILL_WITHIN) kill(getpid(), SIGKILL);
    (void)verdict; errno = ENOSPC; return -1;
}
ssize_t write(int fd, const void *data, size_t size) {
    char path[PATH_MAX]; __typeof__(&write) real = REAL(write);
    if (!path_of(fd, path)) return real(fd, data, size);
    int verdict = hit(1, 0);
    if (verdict < 0) return -1;
    if (verdict) { real(fd, data, size / 2); return broken_write(verdict); }
    int64_t offset = lseek(fd, 0, SEEK_CUR);
    ssize_t done = real(fd, data, size);
    if (done > 0) record('W', path, 0, offset, data, done);
    return done;
}
static ssize_t positioned(int fd, const void *data, size_t size, off64_t offset) {
    char path[PATH_MAX]; __typeof__(&pwrite64) real = REAL(pwrite64);
    if (!path_of(fd, path)) return real(fd, data, size, offset);
    int verdict = hit(1, 0);
    if (verdict < 0) return -1;
    if (verdict) { real(fd, data, size / 2, offset); return broken_write(verdict); }
    ssize_t done = real(fd, data, size, offset);
    if (done > 0) record('W', path, 0, offset, data, done);
    return done;
}
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t offset) { return positioned(fd, data, size, offset); }
ssize_t pwrite(int fd, const void *data, size_t size, off_t offset) { return positioned(fd, data, size, offset); }

static int synced(int fd, int (*real)(int)) {
    char path[PATH_MAX]; struct stat about;
    if (!path_of(fd, path)) return real(fd);
    if (hit(0, 1)) return -1;
    int done = real(fd);
    if (!done && !fstat(fd, &about)) record(S_ISDIR(about.st_mode) ? 'D' : 'S', path, 0, 0, 0, 0);
    return done;
}
int fsync(int fd) { return synced(fd, REAL(fsync)); }
int fdatasync(int fd) { return synced(fd, REAL(fdatasync)); }

static int cut(int fd, off64_t size) {
    char path[PATH_MAX]; __typeof__(&ftruncate64) real = REAL(ftruncate64);
    if (!path_of(fd, path)) return real(fd, size);
    if (hit(0, 0)) return -1;
    int done = real(fd, size);
    if (!done) record('T', path, 0, size, 0, 0);
    return done;
}
int ftruncate64(int fd, off64_t size) { return cut(fd, size); }
int ftruncate(int fd, off_t size) { return cut(fd, size); }

int rename(const char *from, const char *to) {
    if (!watched(to)) return REAL(rename)(from, to);
    if (hit(0, 0)) return -1;
    int done = REAL(rename)(from, to);
    if (!done) record('R', from, to, 0, 0, 0);
    return done;
}
int unlink(const char *path) {
    if (!watched(path)) return REAL(unlink)(path);
    if (hit(0, 0)) return -1;
    int done = REAL(unlink)(path);
    if (!done) record('U', path, 0, 0, 0, 0);
    return done;
}
int mkdir(const char *path, mode_t mode) {
    if (!watched(path)) return REAL(mkdir)(path, mode);
    if (hit(0, 0)) return -1;
    int done = REAL(mkdir)(path, mode);
    if (!done) record('M', path, 0, 0, 0, 0);
    return done;
}
