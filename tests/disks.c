/* Stands between SQLite and the C library (LD_PRELOAD): what it does to the database is asked of a file. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

/* What the file says: "read" (past two pages), "write" or "sync" fails with EIO, or seconds that each sync takes. */
static int fault(int fd, const char *call) {
    char link[64], path[4096], word[32] = "";
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t size = readlink(link, path, sizeof path - 1);
    if (size < 0) return 0;
    path[size] = 0;
    if (!strstr(path, "records.db")) return 0;
    FILE *file = fopen(getenv("DISK_FAULT"), "r");
    if (!file) return 0;
    if (fscanf(file, "%31s", word) != 1) word[0] = 0;
    fclose(file);
    if (!strcmp(word, call)) { errno = EIO; return 1; }
    if (!strcmp(call, "sync") && atof(word) > 0) usleep(1000000 * atof(word));
    return 0;
}
ssize_t pwrite64(int fd, const void *from, size_t size, off64_t at) {
    static ssize_t (*real)(int, const void *, size_t, off64_t);
    if (!real) real = dlsym(RTLD_NEXT, "pwrite64");
    return fault(fd, "write") ? -1 : real(fd, from, size, at);
}
ssize_t pread64(int fd, void *into, size_t size, off64_t at) {
    static ssize_t (*real)(int, void *, size_t, off64_t);
    if (!real) real = dlsym(RTLD_NEXT, "pread64");
    return at >= 8192 && fault(fd, "read") ? -1 : real(fd, into, size, at);
}
ssize_t read(int fd, void *into, size_t size) {
    static ssize_t (*real)(int, void *, size_t);
    if (!real) real = dlsym(RTLD_NEXT, "read");
    return fault(fd, "read") ? -1 : real(fd, into, size);
}
int fsync(int fd) {
    static int (*real)(int);
    if (!real) real = dlsym(RTLD_NEXT, "fsync");
    return fault(fd, "sync") ? -1 : real(fd);
}
int fdatasync(int fd) {
    static int (*real)(int);
    if (!real) real = dlsym(RTLD_NEXT, "fdatasync");
    return fault(fd, "sync") ? -1 : real(fd);
}
