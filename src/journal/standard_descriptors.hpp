// Standard input, output and error as descriptors that are open, whatever the caller closed.
//
// A program that is started with one of them closed (`>&-`) would get its number for the next file that it opens, and what is meant
// for people would go into that file. First thing in main(), before any thread or file.
#pragma once

#include <fcntl.h>
#include <unistd.h>

namespace nightwell {

// Those that are closed are /dev/null from now on.
inline void open_standard_descriptors() {
  int fd = 0;
  // The lowest free number is given each time.
  while (fd >= STDIN_FILENO && fd <= STDERR_FILENO) fd = ::open("/dev/null", O_RDWR);
  if (fd > STDERR_FILENO) ::close(fd);
}

}  // namespace nightwell
