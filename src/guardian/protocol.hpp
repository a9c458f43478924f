// What the daemon and its guardian say to each other over the socket pair: one JSON object a line, UTF-8, LF,
// at most 64 KiB, both ways, each with "v": 1. Both ends come from one build; the version is a check against
// a mixed one.
//
//   daemon -> guardian, "ask":
//     settings  connection {name, driver, port, reply_s, identity, dialect (null, or the file),
//               program (null, or {file, path, arguments, sha256}), wire_log (path, or empty)},
//               limits {lowest_c, …}, speed, log;
//               the first line, and only the first
//     lease     target_c, output, highest_c, lease_s
//     park      cause
//   guardian -> daemon, "say":
//     opened    identity, status {target_c, temperature_c, output, lease_left_s}
//     status    target_c, temperature_c, output, lease_left_s
//     accepted  target_c, output, lease_s
//     refused   text
//     parked    cause, confirmed, text
//     fault     code (a word of Errc), doing, detail, where
//
// Text is written in ASCII (\uXXXX); a byte that is not UTF-8 becomes U+FFFD.
// Errors: every parse returns bad_input naming the key; nothing is ever filled in.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "guardian/guard.hpp"
#include "instrument/scanner.hpp"
#include "nightwell/result.hpp"

namespace nightwell::guardian {

inline constexpr int protocol_version = 1;
inline constexpr std::size_t longest_line = 64 * 1024;  // bytes, without the LF
inline constexpr std::size_t most_unsent_lines = 256;   // kept for the other end while it does not read

struct Setup {
  instrument::ConnectionSettings connection;
  Limits limits;     // as written; check() is the receiver's duty
  double speed = 1;  // > 0, at most 1e6
  std::string log;   // path
};

using Request = std::variant<Setup, LeaseRequested, ParkRequested>;

// One line with its LF. Numbers must be finite.
[[nodiscard]] std::string to_line(const Request& request);
[[nodiscard]] std::string to_line(const Said& said);

// `line` without its LF.
[[nodiscard]] Result<Request> parse_request(std::string_view line);
[[nodiscard]] Result<Said> parse_said(std::string_view line);

// Cuts a stream of bytes into lines. A line longer than longest_line is dropped to its LF and comes out once,
// marked; memory stays bounded whatever arrives.
class LineBuffer {
 public:
  struct Line {
    std::string text;  // without LF; empty where overlong
    bool overlong = false;
  };
  void add(std::string_view bytes);
  [[nodiscard]] std::optional<Line> next();

 private:
  std::string held_;
  bool dropping_ = false;  // inside an overlong line
  bool overlong_ = false;  // its LF has come: the next line is the mark
};

}  // namespace nightwell::guardian
