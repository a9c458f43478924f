// A chained journal of a few lines, made by docs/journal.md, and a relay's words about it.
#pragma once

#include <string>
#include <vector>

#include "journal/frame.hpp"
#include "journal/reader.hpp"
#include "remote/protocol.hpp"

namespace nightwell::remote_test {

class SmallJournal {
 public:
  // An opening, notes, and where `closed` its closing record and an unsigned seal: `count` lines. `words` make another history.
  explicit SmallJournal(std::size_t count, bool closed = true, const std::string& words = "a") {
    add("opening", R"(,"format":"nightwell-journal/2")");
    while (lines.size() + (closed ? 2 : 0) < count) add("note", R"(,"text":")" + words + "\"");
    if (!closed) return;
    add("closing", R"(,"ending":"finished","why":"")");
    add("seal", R"(,"algorithm":"none","key":null,"signature":null)");
  }

  std::vector<std::string> lines;

  [[nodiscard]] std::string hash(std::size_t n) const { return journal::sha256_hex(lines[n]); }
  [[nodiscard]] std::string bytes(std::size_t from, std::size_t to) const {
    std::string out;
    for (std::size_t i = from; i < to; ++i) out += lines[i] + "\n";
    return out;
  }
  [[nodiscard]] std::string bytes() const { return bytes(0, lines.size()); }
  [[nodiscard]] remote::Head head(std::size_t n) const { return {n, hash(n), utc}; }

  static constexpr const char* utc = "2026-11-25T20:15:00.000000Z";

 private:
  void add(const char* kind, const std::string& fields) {
    std::string line;
    journal::append_head(line, lines.size(), utc, Instant{}, kind);
    line += fields;
    journal::append_prev(line, lines.empty() ? std::string(64, '0') : hash(lines.size() - 1));
    lines.push_back(line);
  }
};

inline std::string told(const remote::RelayLine& line) {
  return remote::print(line) + "\n";
}

}  // namespace nightwell::remote_test
