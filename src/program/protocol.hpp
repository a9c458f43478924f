// What a driver program and its host say to each other, as values and as lines: "nightwell-driver/1". The specification is
// docs/driver-programs.md. Pure; both sides use it, and every line from the other side is untrusted.
//
// Shape: one JSON object a line, without its LF here, at most longest_line bytes. Unknown keys are passed by, repeated ones
// refused. Numbers are finite and at most 1e30 in magnitude; times go as seconds.
// Errors: every parse gives garbled, with what was wrong.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "nightwell/instrument/reading.hpp"
#include "nightwell/port.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::program {

inline constexpr std::string_view protocol_name = "nightwell-driver/1";
inline constexpr std::size_t longest_line = 16 * 1024;  // bytes, without the LF
inline constexpr std::size_t longest_text = 4096;       // of any text in it
inline constexpr std::size_t most_old_errors = 64;
inline constexpr int highest_channel = 1'000'000;  // from 0

enum class Role { scanner, heat_source };

// The host's first line.
struct Hello {
  Role role = Role::scanner;
  std::string instrument;  // its name on the bench
  Port port;
  Duration reply{};
  std::string identity;  // what the instrument's identity must contain; empty: any
};

// The driver's first line.
struct Welcome {
  std::string driver, revision;
  std::optional<Error> error;  // it will not do: a port of a kind that it does not know, say
};

// ---- requests ----

struct Identify {};
struct Configure {
  instrument::ChannelSetup channel;
};
struct Read {
  instrument::ChannelSetup channel;
};
struct SetTarget {
  double t_c = 0;
};
struct ReadTarget {};
struct ReadTemperature {};
struct SetOutput {
  bool on = false;
};
struct ReadOutput {};
struct Unknown {
  std::string word;  // of a later version
};
using Ask =
    std::variant<Identify, Configure, Read, SetTarget, ReadTarget, ReadTemperature, SetOutput, ReadOutput, Unknown>;

struct Request {
  std::uint64_t id = 0;
  Duration within{};
  Ask ask;
};

// ---- answers ----

struct Done {};  // a setting
using Value = std::variant<Done, double, bool, instrument::Identity, instrument::Reading>;

struct Answer {
  std::uint64_t id = 0;
  Result<Value> value = Value();
  std::uint64_t asked_again = 0;  // how often the instrument was asked again for it
};

[[nodiscard]] std::string to_line(const Hello& hello);
[[nodiscard]] std::string to_line(const Welcome& welcome);
[[nodiscard]] std::string to_line(const Request& request);
// Texts are cut to what a line holds.
[[nodiscard]] std::string to_line(const Answer& answer);

[[nodiscard]] Result<Hello> parse_hello(std::string_view line);
// refused: another version; the error that it tells is in the welcome.
[[nodiscard]] Result<Welcome> parse_welcome(std::string_view line);
[[nodiscard]] Result<Request> parse_request(std::string_view line);
// The id alone, of any answer.
[[nodiscard]] Result<std::uint64_t> answered_id(std::string_view line);
// The answer to that question: it must have the kind of value that belongs to it.
[[nodiscard]] Result<Answer> parse_answer(std::string_view line, const Ask& ask);

// Cuts bytes into lines. Once a line is too long, no more come out.
class LineCutter {
 public:
  void add(std::string_view bytes) {
    if (!too_long_) held_ += bytes;
  }
  [[nodiscard]] std::optional<std::string> next();
  [[nodiscard]] bool too_long() const { return too_long_; }

 private:
  std::string held_;
  bool too_long_ = false;
};

}  // namespace nightwell::program
