/* A disk that is full, or whose writes or flushes fail, for the files of a database: loaded before the C library into a service that
 * a test starts, it lets calls on files named fettler.db... fail while the file that FETTLER_TEST_DISK names says so:
 * "full": writing finds no room; "sync": flushing fails; "write": writing fails. It knows nothing of the program. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

/* The first letter of what the disk is to do; 0 where nothing is said. */
static char said(void) {
  const char *path = getenv("FETTLER_TEST_DISK");
  if (!path) return 0;
  int fd = (int)syscall(SYS_openat, AT_FDCWD, path, O_RDONLY | O_CLOEXEC);
  if (fd < 0) return 0;
  char letter = 0;
  if (syscall(SYS_read, fd, &letter, 1) != 1) letter = 0;
  syscall(SYS_close, fd);
  return letter;
}

static int is_of_the_database(int fd) {
  char link[64], path[4096];
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  ssize_t length = readlink(link, path, sizeof path - 1);
  if (length < 0) return 0;
  path[length] = 0;
  return strstr(path, "/fettler.db") != NULL;
}

/* The error that a call is to fail with; 0 for none. */
static int fault(int fd, int is_flush) {
  int before = errno;
  char what = is_of_the_database(fd) ? said() : 0;
  errno = before;
  if (is_flush) return what == 's' ? EIO : 0;
  if (what == 'f') return ENOSPC;
  return what == 'w' ? EIO : 0;
}

#define FAIL_IF(fd, is_flush)            \
  do {                                   \
    int error = fault(fd, is_flush);     \
    if (error) {                         \
      errno = error;                     \
      return -1;                         \
    }                                    \
  } while (0)

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t write(int fd, const void *data, size_t count) {
  FAIL_IF(fd, 0);
  return (ssize_t)syscall(SYS_write, fd, data, count);
}

ssize_t pwrite(int fd, const void *data, size_t count, off_t at) {
  FAIL_IF(fd, 0);
  return NEXT(pwrite)(fd, data, count, at);
}

ssize_t pwrite64(int fd, const void *data, size_t count, off64_t at) {
  FAIL_IF(fd, 0);
  return NEXT(pwrite64)(fd, data, count, at);
}

int fsync(int fd) {
  FAIL_IF(fd, 1);
  return (int)syscall(SYS_fsync, fd);
}

int fdatasync(int fd) {
  FAIL_IF(fd, 1);
  return (int)syscall(SYS_fdatasync, fd);
}
