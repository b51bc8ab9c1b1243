/* A file layer that fails on purpose, laid under a program with LD_PRELOAD; it works on files below FAULTY_UNDER only.
 *
 * FAULTY_TRACE=FILE    every change and every sync is written down, so that a power cut can be played afterwards
 * FAULTY_FULL=BYTES    the disk is full after so many bytes
 * FAULTY_READ_ONLY=1   the disk is read-only
 * FAULTY_KILL=N        the program is killed before its Nth change
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { FILES = 65536, LONGEST = 4096 };
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static unsigned char mine[FILES];
static char under[LONGEST];
static int trace = -1;
static long long room = -1, kill_at = -1, changes = 0;
static int read_only = 0;

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

__attribute__((constructor)) static void begin(void) {
    const char *said = getenv("FAULTY_UNDER");
    if (said) snprintf(under, sizeof under, "%s", said);
    if ((said = getenv("FAULTY_TRACE")))
        trace = (int)syscall(SYS_openat, AT_FDCWD, said, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if ((said = getenv("FAULTY_FULL"))) room = atoll(said);
    if ((said = getenv("FAULTY_KILL"))) kill_at = atoll(said);
    if ((said = getenv("FAULTY_READ_ONLY"))) read_only = atoi(said);
}

static int below(const char *path) {
    size_t length = strlen(under);
    char whole[LONGEST];
    if (!length || !path) return 0;
    if (path[0] != '/') {
        if (syscall(SYS_getcwd, whole, sizeof whole) < 0) return 0;
        size_t used = strlen(whole);
        snprintf(whole + used, sizeof whole - used, "/%s", path);
        path = whole;
    }
    return strncmp(path, under, length) == 0;
}

/* One record: kind, number of the file, place, lengths of two texts, the texts. */
static void note(char kind, uint64_t file, int64_t place, const void *one, uint32_t one_length, const void *two,
                 uint32_t two_length) {
    if (trace < 0) return;
    size_t size = 25 + (size_t)one_length + two_length;
    char *record = malloc(size);
    if (!record) return;
    record[0] = kind;
    memcpy(record + 1, &file, 8);
    memcpy(record + 9, &place, 8);
    memcpy(record + 17, &one_length, 4);
    memcpy(record + 21, &two_length, 4);
    memcpy(record + 25, one, one_length);
    if (two_length) memcpy(record + 25 + one_length, two, two_length);
    syscall(SYS_write, trace, record, size);
    free(record);
}

static void note_names(char kind, uint64_t file, const char *one, const char *two) {
    note(kind, file, 0, one, (uint32_t)strlen(one), two, two ? (uint32_t)strlen(two) : 0);
}

static void change(void) {
    changes++;
    if (kill_at >= 0 && changes == kill_at) kill(getpid(), SIGKILL);
}

static uint64_t number(int fd, int64_t *size) {
    struct stat about;
    if (fstat(fd, &about)) return 0;
    if (size) *size = about.st_size;
    return about.st_ino;
}

static int opened(const char *path, int flags, mode_t mode) {
    int ours = below(path), writes = (flags & O_ACCMODE) != O_RDONLY || (flags & (O_CREAT | O_TRUNC));
    if (ours && writes && read_only) {
        int there = syscall(SYS_faccessat, AT_FDCWD, path, F_OK) == 0;
        errno = there || (flags & O_CREAT) ? EROFS : ENOENT;
        return -1;
    }
    pthread_mutex_lock(&lock);
    int fresh = ours && (flags & O_CREAT) && syscall(SYS_faccessat, AT_FDCWD, path, F_OK) != 0;
    if (fresh) change();
    int fd = (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
    int kept = errno;
    if (fd >= 0 && fd < FILES) mine[fd] = (unsigned char)ours;
    if (fd >= 0 && ours) {
        if (fresh) note_names('C', number(fd, NULL), path, NULL);
        else if (flags & O_TRUNC) note('T', number(fd, NULL), 0, "", 0, NULL, 0);
    }
    pthread_mutex_unlock(&lock);
    errno = kept;
    return fd;
}

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        return opened(path, flags, mode); \
    }
OPEN(open)
OPEN(open64)

int close(int fd) {
    if (fd >= 0 && fd < FILES) mine[fd] = 0;
    return (int)syscall(SYS_close, fd);
}

static ssize_t written(int fd, const void *data, size_t size, int64_t place) {
    if (fd == 1 && trace >= 0) {
        pthread_mutex_lock(&lock);
        note('A', 0, 0, data, (uint32_t)size, NULL, 0);
        pthread_mutex_unlock(&lock);
    }
    if (fd < 0 || fd >= FILES || !mine[fd])
        return place < 0 ? syscall(SYS_write, fd, data, size) : syscall(SYS_pwrite64, fd, data, size, place);
    pthread_mutex_lock(&lock);
    change();
    if (room >= 0 && (long long)size > room) {
        pthread_mutex_unlock(&lock);
        errno = ENOSPC;
        return -1;
    }
    int64_t end = 0, at = place;
    uint64_t file = number(fd, &end);
    if (place < 0) {
        int flags = (int)syscall(SYS_fcntl, fd, F_GETFL);
        at = flags & O_APPEND ? end : (int64_t)syscall(SYS_lseek, fd, 0, SEEK_CUR);
    }
    ssize_t done = place < 0 ? syscall(SYS_write, fd, data, size) : syscall(SYS_pwrite64, fd, data, size, place);
    int kept = errno;
    if (done > 0) {
        if (room >= 0) room -= done;
        note('W', file, at, data, (uint32_t)done, NULL, 0);
    }
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}

ssize_t write(int fd, const void *data, size_t size) { return written(fd, data, size, -1); }
ssize_t pwrite(int fd, const void *data, size_t size, off_t place) { return written(fd, data, size, place); }
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t place) { return written(fd, data, size, place); }

static int cut(int fd, int64_t size) {
    pthread_mutex_lock(&lock);
    int ours = fd >= 0 && fd < FILES && mine[fd];
    if (ours) change();
    int done = (int)syscall(SYS_ftruncate, fd, size), kept = errno;
    if (!done && ours) note('T', number(fd, NULL), size, "", 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int ftruncate(int fd, off_t size) { return cut(fd, size); }
int ftruncate64(int fd, off64_t size) { return cut(fd, size); }

static int synced(int fd, long call) {
    pthread_mutex_lock(&lock);
    int ours = fd >= 0 && fd < FILES && mine[fd];
    if (ours) change();
    /* What is traced is played from the trace: the disk itself need not be waited for. */
    int done = ours && trace >= 0 ? 0 : (int)syscall(call, fd), kept = errno;
    if (!done && ours) note('S', number(fd, NULL), 0, "", 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }

static int named(char kind, const char *one, const char *two, long (*work)(const char *, const char *)) {
    int ours = below(one) || (two && below(two));
    if (ours && read_only) {
        errno = EROFS;
        return -1;
    }
    pthread_mutex_lock(&lock);
    if (ours) change();
    int done = (int)work(one, two), kept = errno;
    if (!done && ours) note_names(kind, 0, one, two);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
static long rename_it(const char *one, const char *two) { return syscall(SYS_renameat2, AT_FDCWD, one, AT_FDCWD, two, 0); }
static long link_it(const char *one, const char *two) { return syscall(SYS_linkat, AT_FDCWD, one, AT_FDCWD, two, 0); }
static long unlink_it(const char *one, const char *two) { (void)two; return syscall(SYS_unlinkat, AT_FDCWD, one, 0); }
int rename(const char *one, const char *two) { return named('R', one, two, rename_it); }
int link(const char *one, const char *two) { return named('L', one, two, link_it); }
int unlink(const char *one) { return named('U', one, NULL, unlink_it); }
int mkdir(const char *path, mode_t mode) {
    if (below(path) && read_only) {
        errno = syscall(SYS_faccessat, AT_FDCWD, path, F_OK) == 0 ? EEXIST : EROFS;
        return -1;
    }
    pthread_mutex_lock(&lock);
    if (below(path)) change();
    int done = (int)syscall(SYS_mkdirat, AT_FDCWD, path, mode), kept = errno;
    if (!done && below(path)) note_names('M', 0, path, NULL);
    pthread_mutex_unlock(&lock);
    errno = kept;
    return done;
}
int access(const char *path, int how) {
    if (below(path) && read_only && (how & W_OK)) {
        errno = EROFS;
        return -1;
    }
    return (int)syscall(SYS_faccessat, AT_FDCWD, path, how);
}
int chmod(const char *path, mode_t mode) {
    if (below(path) && read_only) {
        errno = EROFS;
        return -1;
    }
    return (int)syscall(SYS_fchmodat, AT_FDCWD, path, mode);
}
