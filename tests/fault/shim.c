/* Stands between a process and libc where bytes become durable or leave the machine: it writes down each call, and
 * makes the ones a control file names fail, stall, come up short, or be the process's last. Loaded with LD_PRELOAD.
 *
 * GAUGEPOST_SHIM_LOG      appended to, one line a call, after the call (tab-separated, times CLOCK_MONOTONIC):
 *                         begin_ns  end_ns  pid  tid  call  target  asked  result  errno  first-64-bytes-in-hex
 * GAUGEPOST_SHIM_TAPE     appended to: what was done to files, so that each state they were in can be made again; a call is
 *                         "call target offset size\n" and then, for a write, so many bytes
 * GAUGEPOST_SHIM_CONTROL  replaced as a whole by the test; one rule a line:
 *                         CALLS GLOB [errno=N] [stall_ms=N] [short=N] [kill=1] [after=N] [count=N]
 *
 * The shim itself uses raw system calls, so it never sees itself. It keeps no descriptor open on the control file, and
 * the one on the log sits high, out of the way of what the process counts.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <fnmatch.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { MAX_RULES = 64, WORD = 256, SHOWN = 64, LOG_FD_FLOOR = 800 };

struct rule {
    char calls[WORD], glob[WORD];
    long fail, stall_ms, cut, kill, after, count; /* cut and count are -1 when not given */
    long seen, done;
};

struct order { /* what the rules want done to one call */
    int fail, kill;
    long stall_ms, cut;
};

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static struct rule rules[MAX_RULES];
static int rule_count, log_fd = -1;
static pid_t counted_by; /* rules count per process: a fork starts anew */
static struct { dev_t dev; ino_t ino; off_t size; struct timespec changed; } last;

/* A signal's handler may write, and must not wait for what the thread that it interrupts holds. */
static sigset_t hold(void) {
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    pthread_mutex_lock(&lock);
    return before;
}

static void let_go(const sigset_t *before) {
    pthread_mutex_unlock(&lock);
    pthread_sigmask(SIG_SETMASK, before, NULL);
}

static long now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000L + t.tv_nsec;
}

static void parse(char *text) {
    char *line_save = NULL;
    rule_count = 0;
    for (char *line = strtok_r(text, "\n", &line_save); line && rule_count < MAX_RULES;
         line = strtok_r(NULL, "\n", &line_save)) {
        struct rule r = {.cut = -1, .count = -1};
        char *save = NULL, *calls = strtok_r(line, " ", &save), *glob = strtok_r(NULL, " ", &save);
        if (!calls || !glob || strlen(calls) >= WORD || strlen(glob) >= WORD) continue;
        strcpy(r.calls, calls);
        strcpy(r.glob, glob);
        for (char *w; (w = strtok_r(NULL, " ", &save));) {
            long v;
            if (sscanf(w, "errno=%ld", &v) == 1) r.fail = v;
            else if (sscanf(w, "stall_ms=%ld", &v) == 1) r.stall_ms = v;
            else if (sscanf(w, "short=%ld", &v) == 1) r.cut = v;
            else if (sscanf(w, "kill=%ld", &v) == 1) r.kill = v;
            else if (sscanf(w, "after=%ld", &v) == 1) r.after = v;
            else if (sscanf(w, "count=%ld", &v) == 1) r.count = v;
        }
        rules[rule_count++] = r;
    }
}

/* One stat a call; the file is read only when it is another one than last time. Called with the lock held. */
static void refresh(void) {
    const char *path = getenv("GAUGEPOST_SHIM_CONTROL");
    struct stat s;
    if (!path) return;
    if (syscall(SYS_newfstatat, AT_FDCWD, path, &s, 0) != 0) {
        rule_count = 0;
        memset(&last, 0, sizeof last);
        return;
    }
    pid_t pid = getpid();
    if (pid == counted_by && s.st_dev == last.dev && s.st_ino == last.ino && s.st_size == last.size &&
        s.st_mtim.tv_sec == last.changed.tv_sec && s.st_mtim.tv_nsec == last.changed.tv_nsec)
        return;
    static char text[MAX_RULES * 2 * WORD];
    size_t got = 0;
    int fd = syscall(SYS_openat, AT_FDCWD, path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) return;
    for (ssize_t n; got < sizeof text - 1 && (n = syscall(SYS_read, fd, text + got, sizeof text - 1 - got)) > 0;) got += n;
    syscall(SYS_close, fd);
    text[got] = 0;
    parse(text);
    counted_by = pid;
    last.dev = s.st_dev, last.ino = s.st_ino, last.size = s.st_size, last.changed = s.st_mtim;
}

static int named(const char *calls, const char *call) { /* calls is "*" or names with | between */
    size_t n = strlen(call);
    if (!strcmp(calls, "*")) return 1;
    for (const char *p = calls; p; p = strchr(p, '|') ? strchr(p, '|') + 1 : NULL)
        if (!strncmp(p, call, n) && (p[n] == 0 || p[n] == '|')) return 1;
    return 0;
}

static struct order ask(const char *call, const char *target) {
    struct order o = {.cut = -1};
    sigset_t before = hold();
    refresh();
    for (int i = 0; i < rule_count; i++) {
        struct rule *r = &rules[i];
        if (!named(r->calls, call) || fnmatch(r->glob, target, 0) != 0) continue;
        if (r->seen++ < r->after) continue;
        if (r->count >= 0 && r->done >= r->count) continue;
        r->done++;
        if (r->fail) o.fail = r->fail;
        if (r->kill) o.kill = 1;
        if (r->cut >= 0) o.cut = r->cut;
        o.stall_ms += r->stall_ms;
    }
    let_go(&before);
    if (o.stall_ms > 0) {
        struct timespec t = {o.stall_ms / 1000, o.stall_ms % 1000 * 1000000L};
        while (nanosleep(&t, &t) != 0 && errno == EINTR) {}
    }
    return o;
}

static void target_of(int fd, char *out, size_t size) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = syscall(SYS_readlinkat, AT_FDCWD, link, out, size - 1);
    out[n < 0 ? 0 : n] = 0;
    if (n < 0) strcpy(out, "closed");
    if (!strncmp(out, "socket:", 7)) strcpy(out, "socket");
    for (char *c = out; *c; c++)
        if (*c == '\t' || *c == '\n') *c = '?';
}

static void note(long begin, const char *call, const char *target, size_t asked, long result, int err, const void *data,
                 size_t size) {
    const char *path = getenv("GAUGEPOST_SHIM_LOG");
    char line[PATH_MAX + 512];
    if (!path) return;
    int n = snprintf(line, sizeof line, "%ld\t%ld\t%d\t%ld\t%s\t%s\t%zu\t%ld\t%d\t", begin, now_ns(), getpid(),
                     syscall(SYS_gettid), call, target, asked, result, err);
    for (size_t i = 0; data && i < size && i < SHOWN; i++)
        n += snprintf(line + n, sizeof line - n, "%02x", ((const unsigned char *)data)[i]);
    line[n++] = '\n';
    sigset_t before = hold();
    if (log_fd < 0 || syscall(SYS_write, log_fd, line, n) < 0) { /* first call, or the process closed what it did not know */
        int fd = syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
        log_fd = fd < 0 ? -1 : (int)syscall(SYS_fcntl, fd, F_DUPFD_CLOEXEC, LOG_FD_FLOOR);
        if (fd >= 0 && log_fd < 0) log_fd = fd;
        else if (fd >= 0) syscall(SYS_close, fd);
        if (log_fd >= 0) syscall(SYS_write, log_fd, line, n);
    }
    let_go(&before);
}

/* Write a call that was done on the tape, in the order of their ends; `at` is -1 where the file's own place counted. */
static void tape(int fd, const char *call, const char *target, off_t at, const void *data, ssize_t size) {
    static int tape_fd = -1;
    const char *path = getenv("GAUGEPOST_SHIM_TAPE");
    char line[PATH_MAX + 64];
    if (!path || size < 0 || target[0] != '/') return;
    if (data && at < 0) {
        int flags = syscall(SYS_fcntl, fd, F_GETFL);
        off_t here = syscall(SYS_lseek, fd, 0, flags & O_APPEND ? SEEK_END : SEEK_CUR);
        at = here - size;
    }
    int n = snprintf(line, sizeof line, "%s\t%s\t%ld\t%zd\n", call, target, (long)at, size);
    struct iovec parts[2] = {{line, n}, {(void *)data, data ? size : 0}};
    sigset_t before = hold();
    if (tape_fd < 0) {
        int low = syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
        tape_fd = syscall(SYS_fcntl, low, F_DUPFD_CLOEXEC, LOG_FD_FLOOR);
        syscall(SYS_close, low);
    }
    syscall(SYS_writev, tape_fd, parts, 2);
    let_go(&before);
}

static void die(void) {
    syscall(SYS_kill, getpid(), SIGKILL);
    pause();
}

/* The real function, found once; libc's own, so that cancellation and return values are untouched. */
#define REAL(name) \
    static __typeof__(&name) real; \
    if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

/* Around one call: DO is the call as asked, CUT_DO what it does to the first `o.cut` bytes when told to come up short. */
#define AROUND_FILE(fd, at, call, target, asked, data, shown, DO, CUT_DO) \
    long begin = now_ns(); \
    struct order o = ask(call, target); \
    ssize_t result; \
    int err; \
    if (o.cut >= 0 && (size_t)o.cut < (size_t)(asked)) { result = CUT_DO; err = errno; } \
    else if (o.kill) { result = -1; err = EINTR; } \
    else if (o.fail) { result = -1; err = o.fail; } \
    else { result = DO; err = errno; } \
    if ((fd) >= 0) tape(fd, call, target, at, data, result); \
    note(begin, call, target, asked, result, result < 0 ? err : 0, data, shown); \
    if (o.kill) die(); \
    errno = err; \
    return result

#define AROUND(...) AROUND_FILE(-1, -1, __VA_ARGS__)

ssize_t write(int fd, const void *buf, size_t size) {
    REAL(write);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, -1, "write", target, size, buf, size, real(fd, buf, size), real(fd, buf, o.cut));
}

ssize_t pwrite(int fd, const void *buf, size_t size, off_t at) {
    REAL(pwrite);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, at, "pwrite", target, size, buf, size, real(fd, buf, size, at), real(fd, buf, o.cut, at));
}

ssize_t pwrite64(int fd, const void *buf, size_t size, off64_t at) {
    REAL(pwrite64);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, at, "pwrite", target, size, buf, size, real(fd, buf, size, at), real(fd, buf, o.cut, at));
}

static size_t total(const struct iovec *parts, size_t count) {
    size_t sum = 0;
    for (size_t i = 0; i < count; i++) sum += parts[i].iov_len;
    return sum;
}

/* The first part shortened to `cut`, as one vector: enough for a torn write, whose length only has to be less. */
static struct iovec first(const struct iovec *parts, int count, long cut) {
    struct iovec v = {count ? parts[0].iov_base : NULL, count ? parts[0].iov_len : 0};
    if (cut >= 0 && v.iov_len > (size_t)cut) v.iov_len = cut;
    return v;
}

ssize_t writev(int fd, const struct iovec *parts, int count) {
    REAL(writev);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    struct iovec head = first(parts, count, -1), torn;
    AROUND("writev", target, total(parts, count), head.iov_base, head.iov_len, real(fd, parts, count),
           (torn = first(parts, count, o.cut), real(fd, &torn, 1)));
}

int fsync(int fd) {
    REAL(fsync);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, 0, "fsync", target, 0, NULL, 0, real(fd), 0);
}

int fdatasync(int fd) {
    REAL(fdatasync);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, 0, "fdatasync", target, 0, NULL, 0, real(fd), 0);
}

int ftruncate(int fd, off_t size) {
    REAL(ftruncate);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, size, "ftruncate", target, size, NULL, 0, real(fd, size), real(fd, size));
}

int ftruncate64(int fd, off64_t size) {
    REAL(ftruncate64);
    char target[PATH_MAX];
    target_of(fd, target, sizeof target);
    AROUND_FILE(fd, size, "ftruncate", target, size, NULL, 0, real(fd, size), real(fd, size));
}

int rename(const char *from, const char *to) {
    REAL(rename);
    AROUND("rename", to, 0, from, strlen(from), real(from, to), 0);
}

ssize_t send(int fd, const void *buf, size_t size, int flags) {
    REAL(send);
    AROUND("send", "socket", size, buf, size, real(fd, buf, size, flags), real(fd, buf, o.cut, flags));
}

ssize_t sendto(int fd, const void *buf, size_t size, int flags, const struct sockaddr *to, socklen_t to_size) {
    REAL(sendto);
    AROUND("sendto", "socket", size, buf, size, real(fd, buf, size, flags, to, to_size),
           real(fd, buf, o.cut, flags, to, to_size));
}

ssize_t sendmsg(int fd, const struct msghdr *message, int flags) {
    REAL(sendmsg);
    struct iovec head = first(message->msg_iov, message->msg_iovlen, -1), torn;
    struct msghdr shorter = *message;
    AROUND("sendmsg", "socket", total(message->msg_iov, message->msg_iovlen), head.iov_base, head.iov_len,
           real(fd, message, flags),
           (torn = first(message->msg_iov, message->msg_iovlen, o.cut), shorter.msg_iov = &torn, shorter.msg_iovlen = 1,
            real(fd, &shorter, flags)));
}
