// Flips bits of a closed journal, one at a time, and asks the reader: is each found, in the line that was changed or the next one?
#pragma once

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <stdexcept>
#include <string>
#include <vector>

#include "journal/reader.hpp"

namespace nightwell::tests {

struct Flips {
  std::uint64_t tried = 0, in_its_line = 0, in_the_next = 0;
  std::vector<std::string> unseen;  // or found in another place: "byte 17, bit 3: …"
};

inline void write_byte(int fd, std::uint64_t at, char byte) {
  if (::pwrite(fd, &byte, 1, static_cast<off_t>(at)) != 1) throw std::runtime_error("cannot write the journal's copy");
}

// What the reader makes of one flip in line `line` (from 1).
inline void judge_flip(const std::filesystem::path& path, std::uint64_t line, bool last_byte, const std::string& where,
                       Flips& out) {
  const auto verified = journal::verify(path);
  ++out.tried;
  if (verified) {
    // Without its LF the last line is an unfinished one: not whole, and said to be torn there.
    if (last_byte && !verified->whole())
      ++out.in_its_line;
    else
      out.unseen.push_back(where + ": not found");
    return;
  }
  const auto begins = [&](std::uint64_t number) {
    return verified.error().detail.rfind("line " + std::to_string(number) + " ", 0) == 0;
  };
  if (begins(line))
    ++out.in_its_line;
  else if (begins(line + 1))
    ++out.in_the_next;
  else
    out.unseen.push_back(where + ", line " + std::to_string(line) + ": " + verified.error().detail);
}

// Every `step`th bit from the `first` on, in a copy of the journal at `scratch`, which is best kept in memory.
inline Flips flip_bits(const std::filesystem::path& journal, const std::filesystem::path& scratch, std::uint64_t first,
                       std::uint64_t step) {
  std::ifstream file(journal, std::ios::binary);
  const std::string good{std::istreambuf_iterator<char>(file), {}};
  std::ofstream(scratch, std::ios::binary) << good;
  const int fd = ::open(scratch.c_str(), O_WRONLY | O_CLOEXEC);
  Flips out;
  std::uint64_t line = 1, counted_to = 0;
  for (std::uint64_t bit = first; bit < 8 * good.size(); bit += step) {
    const std::uint64_t at = bit / 8;
    line += static_cast<std::uint64_t>(std::count(good.begin() + static_cast<std::ptrdiff_t>(counted_to),
                                                  good.begin() + static_cast<std::ptrdiff_t>(at), '\n'));
    counted_to = at;
    write_byte(fd, at, static_cast<char>(good[at] ^ (1 << (bit % 8))));
    judge_flip(scratch, line, at + 1 == good.size(), "byte " + std::to_string(at) + ", bit " + std::to_string(bit % 8),
               out);
    write_byte(fd, at, good[at]);
  }
  ::close(fd);
  return out;
}

}  // namespace nightwell::tests
