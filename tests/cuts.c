/* Writes down what a program does to the files of one folder, in order, for tests/cuts.py.
 *
 * LD_PRELOADed; CUT_FOLDER is the folder and CUT_LOG the file to write to. One record for each operation that succeeded:
 * a letter (c made, w written, t cut to a length, s synced, u unlinked, r renamed), the length of the path, the offset
 * (t: the length), the length of the data, the path and the data (r: the new path). A lock is held from the operation
 * to its record, so that the order is true.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define LOCKED(type, call) \
    pthread_mutex_lock(&lock); \
    type result = (call);

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char folder[4096];
static int log_fd = -1;

static void __attribute__((constructor)) begin(void)
{
    if (getenv("CUT_FOLDER") && getenv("CUT_LOG")) {
        snprintf(folder, sizeof folder, "%s", getenv("CUT_FOLDER"));
        log_fd = REAL(open64)(getenv("CUT_LOG"), O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
    }
}

static void put(const void *data, size_t size)
{
    if (REAL(write)(log_fd, data, size) != (ssize_t)size)
        abort();
}

static void record(char what, const char *path, uint64_t offset, const void *data, uint32_t size)
{
    size_t length = strlen(folder);
    if (log_fd < 0 || strncmp(path, folder, length) || (path[length] != '/' && path[length] != 0))
        return;
    uint16_t path_size = strlen(path);
    char head[15];
    head[0] = what;
    memcpy(head + 1, &path_size, 2);
    memcpy(head + 3, &offset, 8);
    memcpy(head + 11, &size, 4);
    put(head, sizeof head);
    put(path, path_size);
    put(data, size);
}

static void record_fd(char what, int fd, uint64_t offset, const void *data, uint32_t size)
{
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length > 0) {
        path[length] = 0;
        record(what, path, offset, data, size);
    }
}

static int opened(int (*real)(const char *, int, ...), const char *path, int flags, mode_t mode)
{
    pthread_mutex_lock(&lock);
    int is_new = flags & O_CREAT && access(path, F_OK);
    int fd = real(path, flags, mode);
    if (fd >= 0 && is_new)
        record_fd('c', fd, 0, "", 0);
    if (fd >= 0 && flags & O_TRUNC)
        record_fd('t', fd, 0, "", 0);
    pthread_mutex_unlock(&lock);
    return fd;
}

#define MODE(flags) \
    va_list rest; \
    va_start(rest, flags); \
    mode_t mode = flags & O_CREAT ? va_arg(rest, mode_t) : 0; \
    va_end(rest);

int open(const char *path, int flags, ...) { MODE(flags) return opened(REAL(open), path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE(flags) return opened(REAL(open64), path, flags, mode); }

ssize_t write(int fd, const void *data, size_t size)
{
    LOCKED(ssize_t, REAL(write)(fd, data, size))
    if (result > 0)
        record_fd('w', fd, lseek(fd, 0, SEEK_CUR) - result, data, result);
    pthread_mutex_unlock(&lock);
    return result;
}

#define PWRITE(name, offset_type) \
    ssize_t name(int fd, const void *data, size_t size, offset_type offset) \
    { \
        LOCKED(ssize_t, REAL(name)(fd, data, size, offset)) \
        if (result > 0) \
            record_fd('w', fd, offset, data, result); \
        pthread_mutex_unlock(&lock); \
        return result; \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(name, size_type) \
    int name(int fd, size_type size) \
    { \
        LOCKED(int, REAL(name)(fd, size)) \
        if (result == 0) \
            record_fd('t', fd, size, "", 0); \
        pthread_mutex_unlock(&lock); \
        return result; \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

#define SYNC(name) \
    int name(int fd) \
    { \
        LOCKED(int, REAL(name)(fd)) \
        if (result == 0) \
            record_fd('s', fd, 0, "", 0); \
        pthread_mutex_unlock(&lock); \
        return result; \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path)
{
    LOCKED(int, REAL(unlink)(path))
    if (result == 0)
        record('u', path, 0, "", 0);
    pthread_mutex_unlock(&lock);
    return result;
}

int rename(const char *old, const char *new)
{
    LOCKED(int, REAL(rename)(old, new))
    if (result == 0)
        record('r', old, 0, new, strlen(new));
    pthread_mutex_unlock(&lock);
    return result;
}
