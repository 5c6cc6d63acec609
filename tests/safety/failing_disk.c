/* A disk that fails, or a program that dies, at the nth call that changes a file under one directory.
 *
 * Loaded before libc into a real process (LD_PRELOAD): SQLite, Python and our own code are as they are, and
 * every call goes on to libc unless it is its turn. Calls are counted in the order in which they are made.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { FAIL_EIO = 1, FAIL_ENOSPC, DIE_BEFORE, DIE_AFTER, TEAR_AND_DIE, FAIL_READ };

static char directory[4096];
static long counted, from = -1, until = -1;
static int how;

void begin_counting(const char *under, long first, long count, int way) {
    snprintf(directory, sizeof directory, "%s/", under);
    counted = 0, from = first, until = first + count, how = way;
}

long end_counting(void) {
    directory[0] = 0;
    return counted;
}

static int is_ours(const char *path) { return directory[0] && !strncmp(path, directory, strlen(directory)); }

static int is_our_file(int file) {
    char name[64], path[4096];
    if (!directory[0]) return 0;
    snprintf(name, sizeof name, "/proc/self/fd/%d", file);
    ssize_t length = readlink(name, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_ours(path);
}

static int is_turn(int is_read) {
    if ((how == FAIL_READ) != is_read) return 0;
    long number = __atomic_fetch_add(&counted, 1, __ATOMIC_SEQ_CST);
    return number >= from && number < until;
}

static void die(void) { kill(getpid(), SIGKILL); for (;;) pause(); }

#define LIBC(name) __typeof__(name) *real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)
#define IN_TURN(ours, is_read, half, whole)                                   \
    if ((ours) && is_turn(is_read)) {                                         \
        if (how == DIE_BEFORE) die();                                         \
        if (how == TEAR_AND_DIE) { (void)(half); die(); }                     \
        if (how == DIE_AFTER) { (void)(whole); die(); }                       \
        errno = how == FAIL_ENOSPC ? ENOSPC : EIO;                            \
        return -1;                                                            \
    }                                                                         \
    return whole

ssize_t write(int f, const void *b, size_t n) { LIBC(write); IN_TURN(is_our_file(f), 0, real(f, b, n / 2), real(f, b, n)); }
ssize_t pwrite(int f, const void *b, size_t n, off_t o) { LIBC(pwrite); IN_TURN(is_our_file(f), 0, real(f, b, n / 2, o), real(f, b, n, o)); }
ssize_t pwrite64(int f, const void *b, size_t n, off64_t o) { LIBC(pwrite64); IN_TURN(is_our_file(f), 0, real(f, b, n / 2, o), real(f, b, n, o)); }
int fsync(int f) { LIBC(fsync); IN_TURN(is_our_file(f), 0, 0, real(f)); }
int fdatasync(int f) { LIBC(fdatasync); IN_TURN(is_our_file(f), 0, 0, real(f)); }
int ftruncate(int f, off_t n) { LIBC(ftruncate); IN_TURN(is_our_file(f), 0, 0, real(f, n)); }
int ftruncate64(int f, off64_t n) { LIBC(ftruncate64); IN_TURN(is_our_file(f), 0, 0, real(f, n)); }
int truncate(const char *p, off_t n) { LIBC(truncate); IN_TURN(is_ours(p), 0, 0, real(p, n)); }
int truncate64(const char *p, off64_t n) { LIBC(truncate64); IN_TURN(is_ours(p), 0, 0, real(p, n)); }
int rename(const char *p, const char *q) { LIBC(rename); IN_TURN(is_ours(q), 0, 0, real(p, q)); }
int unlink(const char *p) { LIBC(unlink); IN_TURN(is_ours(p), 0, 0, real(p)); }
int mkdir(const char *p, mode_t m) { LIBC(mkdir); IN_TURN(is_ours(p), 0, 0, real(p, m)); }
ssize_t read(int f, void *b, size_t n) { LIBC(read); IN_TURN(is_our_file(f), 1, 0, real(f, b, n)); }
ssize_t pread(int f, void *b, size_t n, off_t o) { LIBC(pread); IN_TURN(is_our_file(f), 1, 0, real(f, b, n, o)); }
ssize_t pread64(int f, void *b, size_t n, off64_t o) { LIBC(pread64); IN_TURN(is_our_file(f), 1, 0, real(f, b, n, o)); }

#define OPEN(name)                                                            \
    int name(const char *p, int flags, ...) {                                 \
        va_list rest;                                                         \
        va_start(rest, flags);                                                \
        mode_t m = va_arg(rest, mode_t);                                      \
        va_end(rest);                                                         \
        int (*real)(const char *, int, ...) = dlsym(RTLD_NEXT, #name);        \
        IN_TURN((flags & O_CREAT) && is_ours(p), 0, 0, real(p, flags, m));    \
    }
OPEN(open)
OPEN(open64)
