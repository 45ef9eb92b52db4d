/* A disk on which one call fails: loaded before the C library into a service that a test starts, it counts the calls on files in
 * the folder FETTLER_TEST_FOLDER, and lets one of them fail, as the words in the file FETTLER_TEST_CALLS say, which the test reads
 * and writes while the service runs. It sees what goes through the C library, not what a program asks of the system past it. A
 * flush that fails takes with it what was written since the flush before, as a system does that gives up pages which it could not
 * write. It knows nothing of the program. */
#define _GNU_SOURCE
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
#include <unistd.h>

/* The kinds of calls, as the test has them too. */
enum kind { OPEN, CREATE, READ, WRITE, FLUSH, TRUNCATE, CHMOD, RENAME, UNLINK, MAKE_FOLDER, KINDS };
static const char *const names[KINDS] = {"open",     "create", "read",   "write",  "flush",
                                         "truncate", "chmod",  "rename", "unlink", "mkdir"};

/* Whether a call of this kind can find no room left. */
static int needs_room(enum kind kind) {
  return kind == CREATE || kind == WRITE || kind == FLUSH || kind == TRUNCATE || kind == RENAME || kind == MAKE_FOLDER;
}

/* What stands in the file of words. */
struct words {
  volatile uint64_t fail_at; /* the number of the call that is to fail, from 1; 0 for none */
  volatile uint64_t of_room; /* 1: the number is one of the calls that need room; 0: one of the others */
  volatile uint64_t error;   /* the error that it fails with */
  volatile uint64_t flush;   /* 1: the next flush of the database's own file fails, whichever number it has; 2: the next one of its
                              * log is answered as done, though what it was to keep is lost; 3: the one after it, and so on */
  volatile uint64_t failed;  /* how many calls were let fail */
  volatile uint64_t seen[2]; /* calls so far, the failed one among them: those that need no room, those that do */
  volatile uint64_t kinds[KINDS]; /* all of them by their kinds */
  char what[216];            /* the name of the failed call and its file */
};

static struct words *words;
static const char *folder;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

/* What was written since the last flush, newest first, with what stood there before. */
struct written {
  struct written *before;
  dev_t device;
  ino_t inode;
  off_t at, size;
  size_t length;
  char old[];
};
static struct written *unflushed;

__attribute__((constructor)) static void start(void) {
  const char *path = getenv("FETTLER_TEST_CALLS");
  folder = getenv("FETTLER_TEST_FOLDER");
  if (!path || !folder) return;
  int fd = (int)syscall(SYS_openat, AT_FDCWD, path, O_RDWR | O_CLOEXEC);
  if (fd < 0) return;
  void *map = mmap(NULL, sizeof(struct words), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
  syscall(SYS_close, fd);
  if (map != MAP_FAILED) words = map;
}

static int is_ours(const char *path) {
  return words && path && strncmp(path, folder, strlen(folder)) == 0;
}

/* The path of a file that is ours; NULL for another. */
static const char *path_of(int fd, char *path, size_t size) {
  char link[64];
  if (!words) return NULL;
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  ssize_t length = readlink(link, path, size - 1);
  if (length < 0) return NULL;
  path[length] = 0;
  return is_ours(path) ? path : NULL;
}

static int ends_with(const char *path, const char *end) {
  size_t long_ = strlen(path), short_ = strlen(end);
  return long_ >= short_ && strcmp(path + long_ - short_, end) == 0;
}

/* Counts a call; answers the error that it is to fail with, or 0; LIE for a flush that is answered as done, and is not. */
#define LIE (-1)
static int counted(enum kind kind, const char *path) {
  uint64_t of_room = needs_room(kind);
  uint64_t number = __atomic_add_fetch(&words->seen[of_room], 1, __ATOMIC_SEQ_CST);
  __atomic_add_fetch(&words->kinds[kind], 1, __ATOMIC_SEQ_CST);
  int fails = of_room == words->of_room && number == words->fail_at;
  int lies = 0;
  if (kind == FLUSH && words->flush && ends_with(path, words->flush == 1 ? "/fettler.db" : "/fettler.db-wal")) {
    lies = words->flush == 2;
    fails = words->flush <= 2;
    words->flush = fails ? 0 : words->flush - 1;
  }
  if (!fails) return 0;
  __atomic_add_fetch(&words->failed, 1, __ATOMIC_SEQ_CST);
  snprintf(words->what, sizeof words->what, "%s %s", names[kind], path + strlen(folder));
  return lies ? LIE : (int)words->error;
}

/* Keeps what a write is about to cover. The index of the log is shared memory, which nobody flushes. */
static void keep(int fd, const char *path, size_t count, off_t at) {
  struct stat about;
  if (ends_with(path, "-shm") || fstat(fd, &about) != 0 || !S_ISREG(about.st_mode)) return;
  struct written *one = malloc(sizeof *one + count);
  if (!one) return;
  ssize_t length = syscall(SYS_pread64, fd, one->old, count, at);
  *one = (struct written){.device = about.st_dev, .inode = about.st_ino, .at = at, .size = about.st_size,
                          .length = length > 0 ? (size_t)length : 0};
  pthread_mutex_lock(&lock);
  one->before = unflushed;
  unflushed = one;
  pthread_mutex_unlock(&lock);
}

/* Forgets what was written to a file since its last flush; takes it back first if it is lost. */
static void flushed(int fd, int is_lost) {
  struct stat about;
  if (fstat(fd, &about) != 0) return;
  pthread_mutex_lock(&lock);
  for (struct written **link = &unflushed; *link;) {
    struct written *one = *link;
    if (one->device != about.st_dev || one->inode != about.st_ino) {
      link = &one->before;
      continue;
    }
    if (is_lost && (syscall(SYS_pwrite64, fd, one->old, one->length, one->at) < 0 ||
                    syscall(SYS_ftruncate, fd, one->size) < 0))
      abort();
    *link = one->before;
    free(one);
  }
  pthread_mutex_unlock(&lock);
}

#define FAIL(error) return errno = (error), -1

#define FAIL_BY_PATH(kind, path)                                        \
  do {                                                                  \
    int error = is_ours(path) ? counted(kind, path) : 0;                \
    if (error) FAIL(error);                                             \
  } while (0)

#define FAIL_BY_FD(kind, fd)                                            \
  do {                                                                  \
    char path[4096];                                                    \
    int before = errno;                                                 \
    int error = path_of(fd, path, sizeof path) ? counted(kind, path) : 0; \
    if (error) FAIL(error);                                             \
    errno = before;                                                     \
  } while (0)

static ssize_t written_at(int fd, const void *data, size_t count, off_t at) {
  char path[4096];
  int before = errno;
  if (path_of(fd, path, sizeof path)) {
    int error = counted(WRITE, path);
    if (error) FAIL(error);
    keep(fd, path, count, at);
  }
  errno = before;
  return (ssize_t)syscall(SYS_pwrite64, fd, data, count, at);
}

static int flush(long number, int fd) {
  char path[4096];
  int before = errno;
  if (path_of(fd, path, sizeof path)) {
    int error = counted(FLUSH, path);
    flushed(fd, error != 0);
    if (error == LIE) return 0;
    if (error) FAIL(error);
  }
  errno = before;
  return (int)syscall(number, fd);
}

static int opened(int at, const char *path, int flags, mode_t mode) {
  FAIL_BY_PATH(flags & (O_CREAT | __O_TMPFILE) ? CREATE : OPEN, path);
  return (int)syscall(SYS_openat, at, path, flags, mode);
}

#define MODE_OF(flags)                                                  \
  mode_t mode = 0;                                                      \
  if ((flags) & (O_CREAT | __O_TMPFILE)) {                              \
    va_list rest;                                                       \
    va_start(rest, flags);                                              \
    mode = va_arg(rest, mode_t);                                        \
    va_end(rest);                                                       \
  }

int open(const char *path, int flags, ...) {
  MODE_OF(flags)
  return opened(AT_FDCWD, path, flags, mode);
}

int open64(const char *path, int flags, ...) {
  MODE_OF(flags)
  return opened(AT_FDCWD, path, flags, mode);
}

int openat(int at, const char *path, int flags, ...) {
  MODE_OF(flags)
  return opened(at, path, flags, mode);
}

int openat64(int at, const char *path, int flags, ...) {
  MODE_OF(flags)
  return opened(at, path, flags, mode);
}

ssize_t read(int fd, void *data, size_t count) {
  FAIL_BY_FD(READ, fd);
  return (ssize_t)syscall(SYS_read, fd, data, count);
}

ssize_t pread(int fd, void *data, size_t count, off_t at) {
  FAIL_BY_FD(READ, fd);
  return (ssize_t)syscall(SYS_pread64, fd, data, count, at);
}

ssize_t pread64(int fd, void *data, size_t count, off64_t at) {
  FAIL_BY_FD(READ, fd);
  return (ssize_t)syscall(SYS_pread64, fd, data, count, at);
}

ssize_t write(int fd, const void *data, size_t count) {
  FAIL_BY_FD(WRITE, fd);
  return (ssize_t)syscall(SYS_write, fd, data, count);
}

ssize_t pwrite(int fd, const void *data, size_t count, off_t at) {
  return written_at(fd, data, count, at);
}

ssize_t pwrite64(int fd, const void *data, size_t count, off64_t at) {
  return written_at(fd, data, count, at);
}

int fsync(int fd) {
  return flush(SYS_fsync, fd);
}

int fdatasync(int fd) {
  return flush(SYS_fdatasync, fd);
}

int ftruncate(int fd, off_t length) {
  FAIL_BY_FD(TRUNCATE, fd);
  return (int)syscall(SYS_ftruncate, fd, length);
}

int ftruncate64(int fd, off64_t length) {
  FAIL_BY_FD(TRUNCATE, fd);
  return (int)syscall(SYS_ftruncate, fd, length);
}

int fchmod(int fd, mode_t mode) {
  FAIL_BY_FD(CHMOD, fd);
  return (int)syscall(SYS_fchmod, fd, mode);
}

int chmod(const char *path, mode_t mode) {
  FAIL_BY_PATH(CHMOD, path);
  return (int)syscall(SYS_fchmodat, AT_FDCWD, path, mode);
}

int rename(const char *from, const char *to) {
  FAIL_BY_PATH(RENAME, from);
  return (int)syscall(SYS_renameat2, AT_FDCWD, from, AT_FDCWD, to, 0);
}

int unlink(const char *path) {
  FAIL_BY_PATH(UNLINK, path);
  return (int)syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}

int mkdir(const char *path, mode_t mode) {
  FAIL_BY_PATH(MAKE_FOLDER, path);
  return (int)syscall(SYS_mkdirat, AT_FDCWD, path, mode);
}
