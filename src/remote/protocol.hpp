// What goes over the line between a follower and a relay (docs/relay.md): the follower's one request, and the relay's own lines.
//
// Pure: text to value and back; `print` and `parse` are each other's inverse. Texts are without LF.
// Strict on both sides: an object of the keys that the format knows, each once, of their types; nothing else. A relay's lines come
// from somebody else's computer: what `parse_line` gives has been checked, but its texts are still text from outside
// (journal::printable before they reach a terminal).
// Errors: bad_input, and what is wrong.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "nightwell/result.hpp"

namespace nightwell::remote {

// ALPN (RFC 7301), and the format that `hello` names.
inline constexpr std::string_view protocol_name = "nightwell-relay/1";
inline constexpr std::size_t longest_request = 1024;      // bytes, without LF
inline constexpr std::size_t longest_relay_line = 4096;   // bytes, without LF: of the relay's own lines
inline constexpr std::size_t longest_record = 64 * 1024;  // bytes, without LF: of a journal's line

// ---- from the follower ----

// The records of a run's journal from number `from` on.
struct JournalRequest {
  std::string run;                  // its id; empty: the newest
  bool on = true;                   // "follow": and on as it grows; false, "read": to where it ends now
  std::uint64_t from = 0;           // at most 10^15
  std::optional<std::string> prev;  // hash of record from - 1 as the follower has it: 64 lower-case hex digits
  bool plain = false;               // no lines of the relay's own
  friend bool operator==(const JournalRequest&, const JournalRequest&) = default;
};
struct RunsRequest {
  friend bool operator==(const RunsRequest&, const RunsRequest&) = default;
};
using Request = std::variant<JournalRequest, RunsRequest>;

[[nodiscard]] Result<Request> parse_request(std::string_view line);
[[nodiscard]] std::string print(const Request& request);

// `[a-z0-9][a-z0-9-]{0,62}`
[[nodiscard]] bool is_run_id(std::string_view text);

// ---- from the relay ----

struct Hello {
  std::string run;
  std::uint64_t from = 0;
  friend bool operator==(const Hello&, const Hello&) = default;
};
struct RunLine {
  std::string run;
  std::optional<std::string> opened;  // UTC; nothing: the first record is not there or cannot be read
  std::uint64_t records = 0, bytes = 0;
  bool closed = false;
  friend bool operator==(const RunLine&, const RunLine&) = default;
};
struct Head {
  std::uint64_t n = 0;
  std::string hash;  // 64 lower-case hex digits
  std::string utc;   // the relay's clock
  friend bool operator==(const Head&, const Head&) = default;
};
struct Idle {
  std::string utc;
  friend bool operator==(const Idle&, const Idle&) = default;
};
struct End {
  bool closed = false;
  friend bool operator==(const End&, const End&) = default;
};
enum class Refusal { bad_request, no_such_run, no_such_record, changed, damaged, full, storage };
struct ErrorLine {
  Refusal code = Refusal::storage;
  std::string text;
  friend bool operator==(const ErrorLine&, const ErrorLine&) = default;
};
using RelayLine = std::variant<Hello, RunLine, Head, Idle, End, ErrorLine>;

[[nodiscard]] const char* name(Refusal code);

[[nodiscard]] Result<RelayLine> parse_line(std::string_view line);
[[nodiscard]] std::string print(const RelayLine& line);

// Which of the two kinds a line that came is; neither: the connection is none of ours.
[[nodiscard]] constexpr bool is_record(std::string_view line) {
  return line.starts_with(R"({"n":)");
}
[[nodiscard]] constexpr bool is_relay_line(std::string_view line) {
  return line.starts_with(R"({"relay":)");
}

}  // namespace nightwell::remote
