// Result<T>: a value or a typed Error. Every function that can fail for a reason outside the program returns one;
// exceptions are for programming errors only.
//
// Shape: Result<T> holds exactly one of T and Error; Result<void> holds an Error or nothing.
// Errors: each Errc belongs to one group, and each group has one policy for the caller:
//   link      retry what is safe to repeat, then report an instrument fault
//   protocol  report an instrument fault; never use the value
//   physical  a condition of the sensor: record it, mark the reading
//   plan      refuse the input, say file and place
//   storage   no new heat; park
//   bug       park
#pragma once

#include <cassert>
#include <optional>
#include <string>
#include <utility>
#include <variant>

namespace nightwell {

enum class Errc {
  // link
  no_answer,      // the deadline passed without a whole reply
  garbled,        // bytes came, but not a reply to what was asked
  port_gone,      // the port closed under us
  port_busy,      // somebody else holds the port
  port_settings,  // the port did not take the settings asked of it
  // protocol
  refused,         // the instrument put an entry in its error queue, or the daemon said no
  wrong_identity,  // another instrument answers on this port
  mismatch,        // what was read back differs from what was set
  // physical
  open_sensor,   // the instrument said: no number, nothing connected
  overload,      // the instrument said: beyond my range
  out_of_range,  // a number outside what the function or the sensor is defined for
  ambiguous,     // more than one temperature gives this value (type B below its minimum)
  // plan
  bad_input,  // a file or an argument is wrong
  not_found,  // a file, run or name that does not exist
  // storage
  storage,  // reading or writing a file failed
  damaged,  // a journal is damaged elsewhere than in a torn last line
  // bug
  unexpected,  // a state that the program does not know
};

// The word for an Errc as it stands in journals and messages (the enumerator's own name).
[[nodiscard]] constexpr const char* name(Errc code) {
  switch (code) {
    case Errc::no_answer: return "no_answer";
    case Errc::garbled: return "garbled";
    case Errc::port_gone: return "port_gone";
    case Errc::port_busy: return "port_busy";
    case Errc::port_settings: return "port_settings";
    case Errc::refused: return "refused";
    case Errc::wrong_identity: return "wrong_identity";
    case Errc::mismatch: return "mismatch";
    case Errc::open_sensor: return "open_sensor";
    case Errc::overload: return "overload";
    case Errc::out_of_range: return "out_of_range";
    case Errc::ambiguous: return "ambiguous";
    case Errc::bad_input: return "bad_input";
    case Errc::not_found: return "not_found";
    case Errc::storage: return "storage";
    case Errc::damaged: return "damaged";
    case Errc::unexpected: return "unexpected";
  }
  return "unexpected";
}

// What happened, where, and what to do about it.
struct Error {
  Errc code = Errc::unexpected;
  std::string doing;   // what we were doing: "reading channel c3"
  std::string detail;  // what was found and, where it helps, what to do
  std::string where;   // port, file or instrument; may be empty

  // One line for people. The caller escapes it before it reaches a terminal.
  [[nodiscard]] std::string text() const {
    std::string out = doing;
    if (!where.empty()) out += (out.empty() ? "" : " (") + where + (doing.empty() ? "" : ")");
    if (!detail.empty()) out += (out.empty() ? "" : ": ") + detail;
    return out.empty() ? std::string(name(code)) : out;
  }
};

template <class T>
class [[nodiscard]] Result {
 public:
  Result(T value) : held_(std::in_place_index<0>, std::move(value)) {}      // NOLINT: implicit on purpose
  Result(Error error) : held_(std::in_place_index<1>, std::move(error)) {}  // NOLINT: implicit on purpose

  [[nodiscard]] bool ok() const { return held_.index() == 0; }
  explicit operator bool() const { return ok(); }
  [[nodiscard]] const T& value() const& { return assert(ok()), std::get<0>(held_); }
  [[nodiscard]] T& value() & { return assert(ok()), std::get<0>(held_); }
  [[nodiscard]] T&& value() && { return assert(ok()), std::get<0>(std::move(held_)); }
  [[nodiscard]] const Error& error() const { return assert(!ok()), std::get<1>(held_); }
  const T& operator*() const& { return value(); }
  T& operator*() & { return value(); }
  const T* operator->() const { return &value(); }
  T* operator->() { return &value(); }

 private:
  std::variant<T, Error> held_;
};

template <>
class [[nodiscard]] Result<void> {
 public:
  Result() = default;
  Result(Error error) : error_(std::move(error)) {}  // NOLINT: implicit on purpose

  [[nodiscard]] bool ok() const { return !error_; }
  explicit operator bool() const { return ok(); }
  [[nodiscard]] const Error& error() const { return assert(error_), *error_; }

 private:
  std::optional<Error> error_;
};

}  // namespace nightwell
