// A driver's program and the conversation with it: started where it is needed, asked one thing at a time with a deadline, and
// ended where it does not keep to the protocol. Whatever it does, it costs a call a typed error and nothing else.
//
//   no answer by the deadline     ended (SIGKILL to its process group), no_answer
//   a line that is none, too long, a flood, a value of another kind    ended, garbled
//   ended by itself, or killed    port_gone, with its exit code or signal and its last words
//   another version, or it will not do    refused, or its own error
//   an answer to another question    dropped and counted
//
// What it writes to standard error goes to the connection's `note`, escaped, 20 lines in 10 s at most.
//
// Times are real. One thread; one call at a time. Lifetime: the io_context may outlive it, and ends what it left.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <cstdint>
#include <memory>
#include <string>

#include "instrument/scanner.hpp"
#include "program/protocol.hpp"

namespace nightwell::program {

// How long a program may take. The defaults suit every instrument; tests have less time.
struct Patience {
  Duration start{10'000'000};  // until it has greeted
  Duration answer{
      3'000'000};           // on top of eight of the instrument's own reply times: looking for the place on a line, the
                            // question three times, a port that has to be opened again
  Duration off{1'000'000};  // the same of "off", which nothing may hold up, on top of four
  Duration grace{2'000'000};         // on top of what a request states
  Duration scanner_ends{3'000'000};  // after the end of its standard input
  Duration source_ends{30'000'000};  // it switches off first
};
inline constexpr int most_starts = 5;  // within starts_counted_over
inline constexpr Duration starts_counted_over{60'000'000};

class Conversation {
 public:
  // gently: at most most_starts, and only the file that the plan was made with. to_switch_off: whatever can be started.
  enum class Start { gently, to_switch_off };

  Conversation(asio::io_context& io, instrument::ConnectionSettings settings, Role role, Patience patience);
  Conversation(const Conversation&) = delete;
  Conversation& operator=(const Conversation&) = delete;
  ~Conversation();

  // Where it does not run yet. Errors: those of Starter; no_answer, garbled, port_gone, refused; what the driver says.
  asio::awaitable<Result<void>> start(Start how);
  [[nodiscard]] bool is_running() const;
  // It is another file than the plan was made with: nothing but switching off may be asked of it.
  [[nodiscard]] bool has_changed() const;
  // Asks the running program; port_gone where none runs.
  asio::awaitable<Result<Answer>> ask(Ask what);
  // Sends it at once and expects nothing; a call that waits ends with port_gone.
  void send_regardless(const Ask& what);
  // Ends its standard input. It may take its time to end; a start that comes before waits for that no longer.
  void close();

  [[nodiscard]] std::uint64_t asked_again() const;
  [[nodiscard]] std::uint64_t dropped_answers() const;

 private:
  struct Child;
  struct Core;
  std::shared_ptr<Core> core_;
};

}  // namespace nightwell::program
