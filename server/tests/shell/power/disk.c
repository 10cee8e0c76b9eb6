/* Notes, in order, what a process does to the files of one folder, so that a test can take the power away at any point
   of it. Loaded before the C library (LD_PRELOAD); POWER_FOLDER is the folder and POWER_NOTES the file of the notes. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

/* One at a time: the notes have the order in which things were done. */
static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;

static void put(int notes, const void *from, size_t length) {
    const char *rest = from;
    while (length > 0) {
        ssize_t written = syscall(SYS_write, notes, rest, length);
        if (written <= 0) abort();
        rest += written;
        length -= (size_t)written;
    }
}

/* what, length of the name, name, offset, length of the bytes, bytes; numbers as this machine has them. */
static void note(char what, const char *path, uint64_t offset, const void *bytes, uint64_t length) {
    static int notes = -1;
    const char *folder = getenv("POWER_FOLDER"), *file = getenv("POWER_NOTES");
    if (!folder || !file || strncmp(path, folder, strlen(folder)) != 0) return;
    if (notes < 0) notes = open(file, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (notes < 0) abort();
    const char *name = path + strlen(folder) + 1;
    unsigned char head[2] = {(unsigned char)what, (unsigned char)strlen(name)};
    put(notes, head, 2);
    put(notes, name, head[1]);
    put(notes, &offset, 8);
    put(notes, &length, 8);
    if (bytes) put(notes, bytes, length);
}

static void note_fd(char what, int fd, uint64_t offset, const void *bytes, uint64_t length) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t read = readlink(link, path, sizeof path - 1);
    if (read <= 0) return;
    path[read] = 0;
    note(what, path, offset, bytes, length);
}

#define REAL(name) __typeof__(&name) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

ssize_t write(int fd, const void *bytes, size_t length) {
    REAL(write);
    pthread_mutex_lock(&turn);
    off_t at = lseek(fd, 0, SEEK_CUR);
    ssize_t written = real(fd, bytes, length);
    if (written > 0 && at >= 0) note_fd('w', fd, (uint64_t)(lseek(fd, 0, SEEK_CUR) - written), bytes, (uint64_t)written);
    pthread_mutex_unlock(&turn);
    return written;
}

#define PWRITE(name, offset_t) \
    ssize_t name(int fd, const void *bytes, size_t length, offset_t at) { \
        REAL(name); \
        pthread_mutex_lock(&turn); \
        ssize_t written = real(fd, bytes, length, at); \
        if (written > 0) note_fd('w', fd, (uint64_t)at, bytes, (uint64_t)written); \
        pthread_mutex_unlock(&turn); \
        return written; \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(name, offset_t) \
    int name(int fd, offset_t length) { \
        REAL(name); \
        pthread_mutex_lock(&turn); \
        int done = real(fd, length); \
        if (done == 0) note_fd('t', fd, (uint64_t)length, NULL, 0); \
        pthread_mutex_unlock(&turn); \
        return done; \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

#define SYNC(name) \
    int name(int fd) { \
        REAL(name); \
        pthread_mutex_lock(&turn); \
        int done = real(fd); \
        if (done == 0) note_fd('s', fd, 0, NULL, 0); \
        pthread_mutex_unlock(&turn); \
        return done; \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path) {
    REAL(unlink);
    pthread_mutex_lock(&turn);
    int done = real(path);
    if (done == 0) note('u', path, 0, NULL, 0);
    pthread_mutex_unlock(&turn);
    return done;
}
