/* Loaded before the C library into a program under test (LD_PRELOAD). Faults that need a machine:
 *
 * - A power cut: every change to files under $SHIM_FOLDER is written down, in order, in $SHIM_LOG, together
 *   with each sync, so that a test can rebuild a disk that has lost whatever was not synced. With
 *   $SHIM_LIE syncs are not written down: the disk lies, which a test must notice.
 * - A clock that jumps: the file $SHIM_CLOCK holds up to three numbers: milliseconds by which the wall
 *   clock is moved; milliseconds by which all clocks that count sleep are moved (the machine slept); 1 where
 *   the kernel holds the clock for synchronised (0 where that is left out).
 *
 * - A disk that hangs: no sync ends while there is a file $SHIM_HANGS; the first that waits writes a word into it.
 * - A disk that is full for a database: nothing is written to a write-ahead log while there is a file $SHIM_FULL.
 *
 * A record: op (1 byte), length of the path (4), offset (8), length of the data (4), path, data.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

static pthread_mutex_t order = PTHREAD_MUTEX_INITIALIZER;
static const char *folder;
static int log_file = -1;
static int lies;
static const char *hangs, *full;

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static ssize_t plain_write(int file, const void *data, size_t length) {
    REAL(ssize_t, "write", int, const void *, size_t);
    return real(file, data, length);
}

__attribute__((constructor)) static void begin(void) {
    folder = getenv("SHIM_FOLDER");
    lies = getenv("SHIM_LIE") != NULL;
    hangs = getenv("SHIM_HANGS");
    full = getenv("SHIM_FULL");
    const char *path = getenv("SHIM_LOG");
    if (folder && path) log_file = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
}

/* The path of an open file. */
static int path_of(int file, char *path, size_t room) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", file);
    ssize_t length = readlink(link, path, room - 1);
    if (length <= 0) return 0;
    path[length] = 0;
    return 1;
}

static int ends(const char *path, const char *with) {
    size_t length = strlen(path), end = strlen(with);
    return length > end && strcmp(path + length - end, with) == 0;
}

/* The path of an open file, where it lies in the folder and is kept on a disk (shared memory is not). */
static int inside(int file, char *path, size_t room) {
    if (log_file < 0 || file == log_file || !path_of(file, path, room)) return 0;
    return strncmp(path, folder, strlen(folder)) == 0 && !ends(path, "-shm");
}

static int is_full(int file) {
    char path[4096];
    return full && access(full, F_OK) == 0 && path_of(file, path, sizeof path) && ends(path, "-wal");
}

static void note(char op, const char *path, int64_t offset, const void *data, uint32_t length) {
    uint32_t name = strlen(path);
    char *record = malloc(17 + name + length);
    record[0] = op;
    memcpy(record + 1, &name, 4);
    memcpy(record + 5, &offset, 8);
    memcpy(record + 13, &length, 4);
    memcpy(record + 17, path, name);
    if (length) memcpy(record + 17 + name, data, length);
    if (plain_write(log_file, record, 17 + name + length) < 0) abort();
    free(record);
}

static ssize_t note_write(int file, int64_t offset, const void *data, ssize_t done) {
    char path[4096];
    if (done > 0 && inside(file, path, sizeof path)) note('w', path, offset, data, done);
    return done;
}

ssize_t pwrite64(int file, const void *data, size_t length, off64_t offset) {
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
    if (is_full(file)) {
        errno = ENOSPC;
        return -1;
    }
    pthread_mutex_lock(&order);
    ssize_t done = note_write(file, offset, data, real(file, data, length, offset));
    pthread_mutex_unlock(&order);
    return done;
}

ssize_t pwrite(int file, const void *data, size_t length, off_t offset) { return pwrite64(file, data, length, offset); }

ssize_t write(int file, const void *data, size_t length) {
    char path[4096];
    if (log_file < 0 || !inside(file, path, sizeof path)) return plain_write(file, data, length);
    pthread_mutex_lock(&order);
    off64_t offset = (fcntl(file, F_GETFL) & O_APPEND) ? lseek64(file, 0, SEEK_END) : lseek64(file, 0, SEEK_CUR);
    ssize_t done = note_write(file, offset, data, plain_write(file, data, length));
    pthread_mutex_unlock(&order);
    return done;
}

int ftruncate64(int file, off64_t length) {
    REAL(int, "ftruncate64", int, off64_t);
    char path[4096];
    pthread_mutex_lock(&order);
    int done = real(file, length);
    if (done == 0 && inside(file, path, sizeof path)) note('t', path, length, NULL, 0);
    pthread_mutex_unlock(&order);
    return done;
}

int ftruncate(int file, off_t length) { return ftruncate64(file, length); }

static int note_sync(int file, int done) {
    char path[4096];
    /* A card takes its time; so a cut is likely to come between a write and its sync. */
    if (log_file >= 0) usleep(10000);
    if (done == 0 && !lies && inside(file, path, sizeof path)) note('s', path, 0, NULL, 0);
    return done;
}

static void hang(void) {
    if (!hangs) return;
    int file = open(hangs, O_WRONLY | O_CLOEXEC);
    if (file < 0) return;
    if (plain_write(file, "hangs", 5) < 0) abort();
    close(file);
    while (access(hangs, F_OK) == 0) usleep(5000);
}

int fsync(int file) {
    REAL(int, "fsync", int);
    hang();
    pthread_mutex_lock(&order);
    int done = note_sync(file, real(file));
    pthread_mutex_unlock(&order);
    return done;
}

int fdatasync(int file) {
    REAL(int, "fdatasync", int);
    hang();
    pthread_mutex_lock(&order);
    int done = note_sync(file, real(file));
    pthread_mutex_unlock(&order);
    return done;
}

static int watched(const char *path) { return log_file >= 0 && strncmp(path, folder, strlen(folder)) == 0; }

int unlink(const char *path) {
    REAL(int, "unlink", const char *);
    pthread_mutex_lock(&order);
    int done = real(path);
    if (done == 0 && watched(path)) note('u', path, 0, NULL, 0);
    pthread_mutex_unlock(&order);
    return done;
}

static int note_name(char op, const char *from, const char *to, int done) {
    if (done == 0 && watched(to)) note(op, from, 0, to, strlen(to));
    return done;
}

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *);
    pthread_mutex_lock(&order);
    int done = note_name('r', from, to, real(from, to));
    pthread_mutex_unlock(&order);
    return done;
}

int link(const char *from, const char *to) {
    REAL(int, "link", const char *, const char *);
    pthread_mutex_lock(&order);
    int done = note_name('l', from, to, real(from, to));
    pthread_mutex_unlock(&order);
    return done;
}

int linkat(int from_folder, const char *from, int to_folder, const char *to, int flags) {
    REAL(int, "linkat", int, const char *, int, const char *, int);
    pthread_mutex_lock(&order);
    int done = note_name('l', from, to, real(from_folder, from, to_folder, to, flags));
    pthread_mutex_unlock(&order);
    return done;
}

struct clocks { long long wall_ms, sleep_ms, synchronised; };

static struct clocks clocks(void) {
    struct clocks now = {0, 0, 0};
    const char *path = getenv("SHIM_CLOCK");
    char text[96] = {0};
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0) return now;
    if (read(file, text, sizeof text - 1) > 0) sscanf(text, "%lld %lld %lld", &now.wall_ms, &now.sleep_ms, &now.synchronised);
    close(file);
    return now;
}

int clock_gettime(clockid_t clock, struct timespec *time) {
    REAL(int, "clock_gettime", clockid_t, struct timespec *);
    int done = real(clock, time);
    if (done == 0 && (clock == CLOCK_REALTIME || clock == CLOCK_BOOTTIME) && getenv("SHIM_CLOCK")) {
        struct clocks now = clocks();
        int64_t ms = now.sleep_ms + (clock == CLOCK_REALTIME ? now.wall_ms : 0);
        int64_t nanoseconds = time->tv_nsec + (ms % 1000) * 1000000;
        time->tv_sec += ms / 1000 + (nanoseconds < 0 ? -1 : nanoseconds / 1000000000);
        time->tv_nsec = nanoseconds < 0 ? nanoseconds + 1000000000 : nanoseconds % 1000000000;
    }
    return done;
}

int adjtimex(struct timex *asked) {
    REAL(int, "adjtimex", struct timex *);
    int done = real(asked);
    if (done < 0 || !getenv("SHIM_CLOCK")) return done;
    if (clocks().synchronised) {
        asked->status &= ~STA_UNSYNC;
        return TIME_OK;
    }
    asked->status |= STA_UNSYNC;
    return TIME_ERROR;
}
