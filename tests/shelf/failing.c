/* A disk that fails: put before the C library's own file calls (LD_PRELOAD), it counts those on files below a folder
 * and makes one of them fail, once or for good. Told what to do by the environment:
 *
 *   FAIL_BELOW  the folder
 *   FAIL_AT     the number of the call that fails, from 1; 0 for none
 *   FAIL_ERROR  the error it fails with, as errno has it; 0 for a write that writes half of its bytes and says so
 *   FAIL_AFTER  once: only this call; same: every further call of its name too; all: every further call
 *   FAIL_LOG    where to list the calls, a line each: name and path
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdlib.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define FILES 4096
static const char *below, *after = "once";
static long at, count;
static int error, log_file = -1;
static const char *failed;
static char names[FILES][256];

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #name)

static int real_open(const char *path, int flags, int mode)
{
    REAL(int, openat, int, const char *, int, ...);
    return real(AT_FDCWD, path, flags, mode);
}

__attribute__((constructor)) static void begin(void)
{
    below = getenv("FAIL_BELOW");
    if (getenv("FAIL_AT")) at = atol(getenv("FAIL_AT"));
    if (getenv("FAIL_ERROR")) error = atoi(getenv("FAIL_ERROR"));
    if (getenv("FAIL_AFTER")) after = getenv("FAIL_AFTER");
    if (getenv("FAIL_LOG")) log_file = real_open(getenv("FAIL_LOG"), O_WRONLY | O_CREAT | O_APPEND, 0600);
}

static int ours(const char *path)
{
    return below && path && !strncmp(path, below, strlen(below));
}

static const char *name_of(int file)
{
    return file >= 0 && file < FILES && names[file][0] ? names[file] : NULL;
}

static void remember(int file, const char *path)
{
    if (file >= 0 && file < FILES && path) snprintf(names[file], sizeof names[file], "%s", path);
}

static void forget(int file)
{
    if (file >= 0 && file < FILES) names[file][0] = 0;
}

/* Whether this call is to fail. */
static int fails(const char *call, const char *path)
{
    long number = __atomic_add_fetch(&count, 1, __ATOMIC_SEQ_CST);
    if (log_file >= 0) {
        char line[600];
        int n = snprintf(line, sizeof line, "%s %s\n", call, path + strlen(below));
        REAL(ssize_t, write, int, const void *, size_t);
        if (real(log_file, line, n) != n) abort();
    }
    if (!at || number < at) return 0;
    if (number == at) failed = call;
    else if (!strcmp(after, "once") || (!strcmp(after, "same") && failed && strcmp(failed, call))) return 0;
    errno = error;
    return 1;
}

#define BY_PATH(call, path) do { if (ours(path) && fails(call, path)) return -1; } while (0)
#define BY_FILE(call, file) do { if (name_of(file) && fails(call, name_of(file))) return -1; } while (0)

static int opened(int folder, const char *path, int flags, int mode)
{
    char whole[600];
    const char *of = ours(path) ? path : NULL;
    REAL(int, openat, int, const char *, int, ...);
    if (!of && path[0] != '/' && name_of(folder)) {
        snprintf(whole, sizeof whole, "%s/%s", name_of(folder), path);
        of = whole;
    }
    if (of && fails(flags & O_CREAT ? "create" : "open", of)) return -1;
    int file = real(folder, path, flags, mode);
    if (file >= 0) { if (of) remember(file, of); else forget(file); }
    return file;
}

#define MODE int mode = 0; if (flags & (O_CREAT | O_TMPFILE)) { va_list l; va_start(l, flags); mode = va_arg(l, int); va_end(l); }
int open(const char *path, int flags, ...) { MODE return opened(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE return opened(AT_FDCWD, path, flags, mode); }
int openat(int folder, const char *path, int flags, ...) { MODE return opened(folder, path, flags, mode); }
int openat64(int folder, const char *path, int flags, ...) { MODE return opened(folder, path, flags, mode); }

int close(int file) { REAL(int, close, int); forget(file); return real(file); }

int mkdir(const char *p, mode_t m) { BY_PATH("mkdir", p); REAL(int, mkdir, const char *, mode_t); return real(p, m); }
int rmdir(const char *p) { BY_PATH("rmdir", p); REAL(int, rmdir, const char *); return real(p); }
int unlink(const char *p) { BY_PATH("unlink", p); REAL(int, unlink, const char *); return real(p); }
int rename(const char *a, const char *b) { BY_PATH("rename", b); REAL(int, rename, const char *, const char *); return real(a, b); }
int link(const char *a, const char *b) { BY_PATH("link", b); REAL(int, link, const char *, const char *); return real(a, b); }
int unlinkat(int d, const char *p, int f)
{
    BY_FILE("unlinkat", d);
    if (!name_of(d)) BY_PATH("unlinkat", p);
    REAL(int, unlinkat, int, const char *, int);
    return real(d, p, f);
}

int statx(int d, const char *p, int f, unsigned m, struct statx *s)
{
    const char *volatile path = p; /* The compiler takes it that there is one, and Rust asks without. */
    if (path && *path) BY_PATH("stat", path); else BY_FILE("stat", d);
    REAL(int, statx, int, const char *, int, unsigned, struct statx *);
    return real(d, p, f, m, s);
}
int stat(const char *p, struct stat *s) { BY_PATH("stat", p); REAL(int, stat, const char *, struct stat *); return real(p, s); }
int stat64(const char *p, struct stat64 *s) { BY_PATH("stat", p); REAL(int, stat64, const char *, struct stat64 *); return real(p, s); }
int lstat(const char *p, struct stat *s) { BY_PATH("stat", p); REAL(int, lstat, const char *, struct stat *); return real(p, s); }
int lstat64(const char *p, struct stat64 *s) { BY_PATH("stat", p); REAL(int, lstat64, const char *, struct stat64 *); return real(p, s); }
int fstat(int f, struct stat *s) { BY_FILE("stat", f); REAL(int, fstat, int, struct stat *); return real(f, s); }
int fstat64(int f, struct stat64 *s) { BY_FILE("stat", f); REAL(int, fstat64, int, struct stat64 *); return real(f, s); }

int fsync(int f) { BY_FILE("fsync", f); REAL(int, fsync, int); return real(f); }
int fdatasync(int f) { BY_FILE("fdatasync", f); REAL(int, fdatasync, int); return real(f); }
int ftruncate(int f, off_t n) { BY_FILE("ftruncate", f); REAL(int, ftruncate, int, off_t); return real(f, n); }
int ftruncate64(int f, off64_t n) { BY_FILE("ftruncate", f); REAL(int, ftruncate64, int, off64_t); return real(f, n); }
int fchmod(int f, mode_t m) { BY_FILE("fchmod", f); REAL(int, fchmod, int, mode_t); return real(f, m); }
int flock(int f, int o) { BY_FILE("flock", f); REAL(int, flock, int, int); return real(f, o); }
off_t lseek(int f, off_t o, int w) { BY_FILE("lseek", f); REAL(off_t, lseek, int, off_t, int); return real(f, o, w); }
off64_t lseek64(int f, off64_t o, int w) { BY_FILE("lseek", f); REAL(off64_t, lseek64, int, off64_t, int); return real(f, o, w); }
ssize_t read(int f, void *b, size_t n) { BY_FILE("read", f); REAL(ssize_t, read, int, void *, size_t); return real(f, b, n); }
ssize_t pread(int f, void *b, size_t n, off_t o) { BY_FILE("read", f); REAL(ssize_t, pread, int, void *, size_t, off_t); return real(f, b, n, o); }
ssize_t pread64(int f, void *b, size_t n, off64_t o) { BY_FILE("read", f); REAL(ssize_t, pread64, int, void *, size_t, off64_t); return real(f, b, n, o); }

/* How many bytes of a write are written: all, half, or none. */
static size_t written(int file, size_t n)
{
    if (!name_of(file) || !fails("write", name_of(file))) return n;
    return error ? 0 : (n + 1) / 2;
}
ssize_t write(int f, const void *b, size_t n)
{
    REAL(ssize_t, write, int, const void *, size_t);
    size_t part = written(f, n);
    return n && !part ? -1 : real(f, b, part);
}
ssize_t pwrite(int f, const void *b, size_t n, off_t o)
{
    REAL(ssize_t, pwrite, int, const void *, size_t, off_t);
    size_t part = written(f, n);
    return n && !part ? -1 : real(f, b, part, o);
}
ssize_t pwrite64(int f, const void *b, size_t n, off64_t o)
{
    REAL(ssize_t, pwrite64, int, const void *, size_t, off64_t);
    size_t part = written(f, n);
    return n && !part ? -1 : real(f, b, part, o);
}

DIR *opendir(const char *path)
{
    REAL(DIR *, opendir, const char *);
    if (ours(path) && fails("opendir", path)) return NULL;
    DIR *folder = real(path);
    if (folder) { if (ours(path)) remember(dirfd(folder), path); else forget(dirfd(folder)); }
    return folder;
}
int closedir(DIR *folder) { REAL(int, closedir, DIR *); forget(dirfd(folder)); return real(folder); }
struct dirent64 *readdir64(DIR *folder)
{
    REAL(struct dirent64 *, readdir64, DIR *);
    if (name_of(dirfd(folder)) && fails("readdir", name_of(dirfd(folder)))) return NULL;
    return real(folder);
}
