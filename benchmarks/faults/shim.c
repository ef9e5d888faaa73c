/* Makes the n-th change of the file system below one folder fail, or kills the process there: loaded before libc (LD_PRELOAD),
   so that what libraries in C and Rust write fails as well as what Python writes.

   FAULT_ROOT   the folder whose changes count
   fault_arm(n, code, sticky, kinds): at change n, counted from 1, fail with errno `code`, or die by SIGKILL where it is -1;
                sticky: and at all that follow; kinds: which changes count, a sum of the bits below
   fault_count(): how many there were */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

enum { WRITE = 1, SYNC = 2, RENAME = 4, LINK = 8, DELETE = 16, CREATE = 32 };

static atomic_long count;
static long at = -1;
static int code, sticky, kinds;

void fault_arm(long n, int errno_or_kill, int stays, int which) {
    count = 0; code = errno_or_kill; sticky = stays; kinds = which; at = n;
}
long fault_count(void) { return count; }

static int below(const char *path) {
    const char *root = getenv("FAULT_ROOT");
    return root && path && strncmp(path, root, strlen(root)) == 0;
}

static int inside(int folder, const char *path) {
    char name[PATH_MAX], full[PATH_MAX];
    if (path && path[0] == '/') return below(path);
    if (folder == AT_FDCWD) return getcwd(name, sizeof name) && below(name);
    snprintf(full, sizeof full, "/proc/self/fd/%d", folder);
    ssize_t length = readlink(full, name, sizeof name - 1);
    if (length < 0) return 0;
    name[length] = 0;
    return below(name);
}

static int fails(int kind) {
    if (at < 0 || !(kinds & kind)) return 0;
    long now = ++count;
    if (now != at && !(sticky && now > at)) return 0;
    if (code == -1) kill(getpid(), SIGKILL);
    errno = code;
    return 1;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t write(int fd, const void *data, size_t size) {
    return inside(fd, "") && fails(WRITE) ? -1 : REAL(write)(fd, data, size);
}
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t place) {
    return inside(fd, "") && fails(WRITE) ? -1 : REAL(pwrite64)(fd, data, size, place);
}
ssize_t sendfile(int out, int in, off_t *offset, size_t size) {
    ssize_t (*real)(int, int, off_t *, size_t) = (ssize_t (*)(int, int, off_t *, size_t))dlsym(RTLD_NEXT, "sendfile");
    return inside(out, "") && fails(WRITE) ? -1 : real(out, in, offset, size);
}
int fsync(int fd) { return inside(fd, "") && fails(SYNC) ? -1 : REAL(fsync)(fd); }
int fdatasync(int fd) { return inside(fd, "") && fails(SYNC) ? -1 : REAL(fdatasync)(fd); }
int rename(const char *old, const char *new) {
    return inside(AT_FDCWD, new) && fails(RENAME) ? -1 : REAL(rename)(old, new);
}
int renameat(int a, const char *old, int b, const char *new) {
    return inside(b, new) && fails(RENAME) ? -1 : REAL(renameat)(a, old, b, new);
}
int link(const char *old, const char *new) {
    return inside(AT_FDCWD, new) && fails(LINK) ? -1 : REAL(link)(old, new);
}
int linkat(int a, const char *old, int b, const char *new, int flags) {
    return inside(b, new) && fails(LINK) ? -1 : REAL(linkat)(a, old, b, new, flags);
}
int unlink(const char *path) { return inside(AT_FDCWD, path) && fails(DELETE) ? -1 : REAL(unlink)(path); }
int unlinkat(int folder, const char *path, int flags) {
    return inside(folder, path) && fails(DELETE) ? -1 : REAL(unlinkat)(folder, path, flags);
}
int rmdir(const char *path) { return inside(AT_FDCWD, path) && fails(DELETE) ? -1 : REAL(rmdir)(path); }
int mkdir(const char *path, mode_t mode) { return inside(AT_FDCWD, path) && fails(CREATE) ? -1 : REAL(mkdir)(path, mode); }

#define OPENING(name)                                                        \
    int name(const char *path, int flags, ...) {                             \
        va_list rest; va_start(rest, flags);                                 \
        mode_t mode = (flags & (O_CREAT | __O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
        va_end(rest);                                                        \
        if ((flags & O_CREAT) && inside(AT_FDCWD, path) && fails(CREATE)) return -1; \
        int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, #name); \
        return real(path, flags, mode);                                      \
    }
OPENING(open)
OPENING(open64)
