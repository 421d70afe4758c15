/* Moves the wall clock of one process: CLOCK_REALTIME is off by what a file says, in ms, and the boot is what another
 * says. Everything else tells the true time. Loaded with LD_PRELOAD.
 *
 * GAUGEPOST_WALL  a file with one whole number, replaced as a whole by the test
 * GAUGEPOST_BOOT  a file that stands in for the kernel's boot_id
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long offset_ms(void) {
    const char *path = getenv("GAUGEPOST_WALL");
    char text[32] = "";
    int fd = path ? (int)syscall(SYS_openat, AT_FDCWD, path, O_RDONLY | O_CLOEXEC) : -1;
    if (fd < 0) return 0;
    ssize_t n = syscall(SYS_read, fd, text, sizeof text - 1);
    syscall(SYS_close, fd);
    return n > 0 ? atol(text) : 0;
}

static void move(struct timespec *t) {
    long ms = offset_ms(), ns = t->tv_nsec + ms % 1000 * 1000000L;
    t->tv_sec += ms / 1000 + (ns >= 1000000000L) - (ns < 0);
    t->tv_nsec = (ns + 1000000000L) % 1000000000L;
}

int clock_gettime(clockid_t id, struct timespec *t) {
    int result = (int)syscall(SYS_clock_gettime, id, t);
    if (result == 0 && id == CLOCK_REALTIME) move(t);
    return result;
}

int gettimeofday(struct timeval *restrict t, void *restrict zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    t->tv_sec = now.tv_sec, t->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *t) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (t) *t = now.tv_sec;
    return now.tv_sec;
}

static const char *stands_for(const char *path) {
    const char *boot = getenv("GAUGEPOST_BOOT");
    return boot && path && !strcmp(path, "/proc/sys/kernel/random/boot_id") ? boot : path;
}

int open(const char *path, int flags, ...) {
    __builtin_va_list more;
    __builtin_va_start(more, flags);
    int mode = flags & (O_CREAT | O_TMPFILE) ? __builtin_va_arg(more, int) : 0;
    __builtin_va_end(more);
    int (*real)(const char *, int, ...) = dlsym(RTLD_NEXT, "open");
    return real(stands_for(path), flags, mode);
}

int open64(const char *path, int flags, ...) {
    __builtin_va_list more;
    __builtin_va_start(more, flags);
    int mode = flags & (O_CREAT | O_TMPFILE) ? __builtin_va_arg(more, int) : 0;
    __builtin_va_end(more);
    int (*real)(const char *, int, ...) = dlsym(RTLD_NEXT, "open64");
    return real(stands_for(path), flags, mode);
}
