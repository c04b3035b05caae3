/*
 * What a program asks of the disk, for tests: loaded before the C library (LD_PRELOAD),
 * it notes every write, truncation, sync, rename and unlink of the files in one folder,
 * and makes some of them fail when told so.
 *
 *   ISOBARN_DISK_FOLDER   files whose path begins with this are watched; those ending in
 *                         "-shm" are not: nothing in them outlives a process
 *   ISOBARN_DISK_LOG      where the notes go, appended; none if absent
 *   ISOBARN_DISK_FAULTS   a folder; as long as it holds a file named
 *                           full    writes give ENOSPC
 *                           write   writes give EIO
 *                           mount   writes give EROFS, as after an error of the file system
 *                           slow    a write takes 300 ms longer
 *                           stuck   a write waits until the file is gone
 *                         and one named sync makes one sync give EIO and is removed
 *
 * A note is a head of 32 bytes in the byte order of the machine (operation, length of the
 * path or data behind it, inode, offset, size), then path or data. One lock is held
 * from before each call until its note is written, so that notes stand in the order in
 * which the calls took effect.
 *
 * A watched file mapped for shared writing would change unseen; it is noted as 'M' and
 * the reader refuses such a log.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

#define MOST 65536

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static pthread_once_t once = PTHREAD_ONCE_INIT;
static unsigned char watched[MOST];
static const char *folder;
static const char *faults;
static int notes = -1;

static void begin(void) {
    folder = getenv("ISOBARN_DISK_FOLDER");
    faults = getenv("ISOBARN_DISK_FAULTS");
    const char *path = getenv("ISOBARN_DISK_LOG");
    if (path)
        notes = (int)syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
}

static void enter(void) {
    pthread_once(&once, begin);
    pthread_mutex_lock(&lock);
}

static void leave(void) {
    int kept = errno;
    pthread_mutex_unlock(&lock);
    errno = kept;
}

static int ours(const char *path) {
    if (!folder || !path || strncmp(path, folder, strlen(folder)) != 0)
        return 0;
    size_t length = strlen(path);
    return length < 4 || strcmp(path + length - 4, "-shm") != 0;
}

static int is_watched(int fd) { return fd >= 0 && fd < MOST && watched[fd]; }

static int asked_for(const char *name, int once_only) {
    char path[4096];
    if (!faults || snprintf(path, sizeof path, "%s/%s", faults, name) >= (int)sizeof path)
        return 0;
    if (once_only)
        return syscall(SYS_unlinkat, AT_FDCWD, path, 0) == 0;
    return syscall(SYS_faccessat, AT_FDCWD, path, F_OK) == 0;
}

/* A test that lost notes would prove nothing: the program ends instead. */
static void put(struct iovec *parts, int count) {
    ssize_t wanted = 0;
    for (int i = 0; i < count; i++)
        wanted += (ssize_t)parts[i].iov_len;
    if (syscall(SYS_writev, notes, parts, count) != wanted)
        abort();
}

static void note(char operation, uint64_t inode, uint64_t offset, uint64_t size, const void *data, size_t length) {
    if (notes < 0)
        return;
    int kept = errno;
    unsigned char head[32] = {0};
    uint32_t behind = (uint32_t)length;
    head[0] = (unsigned char)operation;
    memcpy(head + 4, &behind, 4);
    memcpy(head + 8, &inode, 8);
    memcpy(head + 16, &offset, 8);
    memcpy(head + 24, &size, 8);
    struct iovec parts[2] = {{head, sizeof head}, {(void *)data, length}};
    put(parts, length ? 2 : 1);
    errno = kept;
}

static uint64_t inode_of(int fd, uint64_t *size) {
    struct stat about;
    if (fstat(fd, &about) != 0)
        abort();
    if (size)
        *size = (uint64_t)about.st_size;
    return about.st_ino;
}

static int opened(int fd, const char *path, int flags) {
    if (fd < 0 || fd >= MOST)
        return fd;
    watched[fd] = 0;
    if (!ours(path))
        return fd;
    struct stat about;
    if (fstat(fd, &about) != 0 || !S_ISREG(about.st_mode))
        return fd;
    watched[fd] = 1;
    if ((flags & O_ACCMODE) != O_RDONLY) {
        note('O', about.st_ino, 0, (uint64_t)about.st_size, path, strlen(path));
        if (flags & O_TRUNC)
            note('T', about.st_ino, 0, 0, NULL, 0);
    }
    return fd;
}

static int open_at(int at, const char *path, int flags, mode_t mode) {
    enter();
    int fd = (int)syscall(SYS_openat, at, path, flags, mode);
    fd = opened(fd, path, flags);
    leave();
    return fd;
}

#define MODE(mode, flags)                                                                    \
    mode_t mode = 0;                                                                         \
    if ((flags) & (O_CREAT | O_TMPFILE)) {                                                   \
        va_list more;                                                                        \
        va_start(more, flags);                                                               \
        mode = va_arg(more, mode_t);                                                         \
        va_end(more);                                                                        \
    }

int open(const char *path, int flags, ...) {
    MODE(mode, flags)
    return open_at(AT_FDCWD, path, flags, mode);
}
int open64(const char *path, int flags, ...) {
    MODE(mode, flags)
    return open_at(AT_FDCWD, path, flags, mode);
}
int openat(int at, const char *path, int flags, ...) {
    MODE(mode, flags)
    return open_at(at, path, flags, mode);
}
int openat64(int at, const char *path, int flags, ...) {
    MODE(mode, flags)
    return open_at(at, path, flags, mode);
}

int close(int fd) {
    enter();
    if (fd >= 0 && fd < MOST)
        watched[fd] = 0;
    int result = (int)syscall(SYS_close, fd);
    leave();
    return result;
}

/* Waits where the disk is to be slow or stuck. The lock is not held meanwhile: whoever
 * writes elsewhere, opens or closes a file goes on. */
static void linger(int fd) {
    if (!is_watched(fd))
        return;
    if (asked_for("slow", 0)) {
        struct timespec pause = {0, 300000000};
        nanosleep(&pause, NULL);
    }
    while (asked_for("stuck", 0)) {
        struct timespec pause = {0, 20000000};
        nanosleep(&pause, NULL);
    }
}

/* Whether a write must fail. */
static int refused(void) {
    if (asked_for("full", 0)) {
        errno = ENOSPC;
        return 1;
    }
    if (asked_for("write", 0)) {
        errno = EIO;
        return 1;
    }
    if (asked_for("mount", 0)) {
        errno = EROFS;
        return 1;
    }
    return 0;
}

ssize_t pwrite(int fd, const void *data, size_t length, off_t offset) {
    linger(fd);
    enter();
    ssize_t done = -1;
    if (!is_watched(fd)) {
        leave();
        return syscall(SYS_pwrite64, fd, data, length, offset);
    }
    if (!refused()) {
        done = syscall(SYS_pwrite64, fd, data, length, offset);
        if (done > 0)
            note('W', inode_of(fd, NULL), (uint64_t)offset, 0, data, (size_t)done);
    }
    leave();
    return done;
}
ssize_t pwrite64(int fd, const void *data, size_t length, off_t offset) { return pwrite(fd, data, length, offset); }

ssize_t write(int fd, const void *data, size_t length) {
    linger(fd);
    enter();
    if (!is_watched(fd)) {
        leave();
        return syscall(SYS_write, fd, data, length);
    }
    ssize_t done = -1;
    if (!refused()) {
        done = syscall(SYS_write, fd, data, length);
        if (done > 0) {
            /* Behind the call, so that appending needs no rule of its own. */
            off_t end = lseek(fd, 0, SEEK_CUR);
            note('W', inode_of(fd, NULL), (uint64_t)(end - done), 0, data, (size_t)done);
        }
    }
    leave();
    return done;
}

/* One part at a time is as good: the caller goes on with the rest. */
ssize_t writev(int fd, const struct iovec *parts, int count) {
    if (!is_watched(fd))
        return syscall(SYS_writev, fd, parts, count);
    for (int i = 0; i < count; i++)
        if (parts[i].iov_len)
            return write(fd, parts[i].iov_base, parts[i].iov_len);
    return 0;
}

int ftruncate(int fd, off_t size) {
    enter();
    int result = (int)syscall(SYS_ftruncate, fd, size);
    if (result == 0 && is_watched(fd))
        note('T', inode_of(fd, NULL), 0, (uint64_t)size, NULL, 0);
    leave();
    return result;
}
int ftruncate64(int fd, off_t size) { return ftruncate(fd, size); }

static int sync_of(int fd, long call) {
    enter();
    int result;
    if (is_watched(fd) && asked_for("sync", 1)) {
        errno = EIO;
        result = -1;
    } else {
        result = (int)syscall(call, fd);
        if (result == 0 && is_watched(fd))
            note('S', inode_of(fd, NULL), 0, 0, NULL, 0);
    }
    leave();
    return result;
}
int fsync(int fd) { return sync_of(fd, SYS_fsync); }
int fdatasync(int fd) { return sync_of(fd, SYS_fdatasync); }

int unlink(const char *path) {
    enter();
    int result = (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    if (result == 0 && ours(path))
        note('U', 0, 0, 0, path, strlen(path));
    leave();
    return result;
}

int rename(const char *from, const char *to) {
    enter();
    int result = (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
    if (result == 0 && (ours(from) || ours(to))) {
        note('R', 0, 0, 0, from, strlen(from));
        note('N', 0, 0, 0, to, strlen(to));
    }
    leave();
    return result;
}

/* Callers have another way for these; what they would do is not noted. */
int fallocate(int fd, int mode, off_t offset, off_t length) {
    if (!is_watched(fd))
        return (int)syscall(SYS_fallocate, fd, mode, offset, length);
    errno = EOPNOTSUPP;
    return -1;
}
int fallocate64(int fd, int mode, off_t offset, off_t length) { return fallocate(fd, mode, offset, length); }
int posix_fallocate(int fd, off_t offset, off_t length) {
    if (!is_watched(fd))
        return syscall(SYS_fallocate, fd, 0, offset, length) == 0 ? 0 : errno;
    return EOPNOTSUPP;
}
int posix_fallocate64(int fd, off_t offset, off_t length) { return posix_fallocate(fd, offset, length); }
ssize_t copy_file_range(int from, off64_t *at, int to, off64_t *behind, size_t length, unsigned flags) {
    if (!is_watched(to))
        return syscall(SYS_copy_file_range, from, at, to, behind, length, flags);
    errno = ENOSYS;
    return -1;
}
ssize_t sendfile(int to, int from, off_t *offset, size_t count) {
    if (!is_watched(to))
        return syscall(SYS_sendfile, to, from, offset, count);
    errno = ENOSYS;
    return -1;
}
ssize_t sendfile64(int to, int from, off_t *offset, size_t count) { return sendfile(to, from, offset, count); }

void *mmap(void *where, size_t length, int protection, int flags, int fd, off_t offset) {
    if (is_watched(fd) && (flags & MAP_SHARED) && (protection & PROT_WRITE)) {
        enter();
        note('M', inode_of(fd, NULL), (uint64_t)offset, length, NULL, 0);
        leave();
    }
    return (void *)syscall(SYS_mmap, where, length, protection, flags, fd, offset);
}
void *mmap64(void *where, size_t length, int protection, int flags, int fd, off_t offset) {
    return mmap(where, length, protection, flags, fd, offset);
}
