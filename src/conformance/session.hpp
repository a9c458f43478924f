// What all cases share: calls that are watched, questions whose right answers are known, and the list of outcomes.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/co_spawn.hpp>
#include <asio/io_context.hpp>
#include <chrono>
#include <exception>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "conformance/check.hpp"

namespace nightwell::conformance {

// What came of one call of the driver.
template <class T>
struct Called {
  std::optional<Result<T>> result;  // none: it did not end in time, or threw
  std::string trouble;              // why there is none
  [[nodiscard]] bool ok() const { return result && result->ok(); }
};

template <class T>
[[nodiscard]] std::string told(const Called<T>& called) {
  if (!called.result) return called.trouble;
  return called.result->ok() ? "done" : std::string(name(called.result->error().code));
}
[[nodiscard]] std::string told(const Called<double>& called);
[[nodiscard]] std::string told(const Called<bool>& called);

// An error that says something about the line or the instrument. The others say that the driver is at a loss.
[[nodiscard]] bool is_typed(Errc code);

class Session;
// The driver found the call itself wrong, and nothing was sent since `mark` was made: the instrument had no say.
[[nodiscard]] bool refused_by_itself(const Session& session, const Error& error, std::size_t mark);

// A question whose answer changes little between two looks.
struct Question {
  std::string name;  // "reading the temperature"
  std::function<asio::awaitable<Result<double>>()> ask;
  double allowance = 0;      // how far two good answers may lie apart, besides a thousandth of the value
  std::vector<double> good;  // the newest good answers, oldest first; at most two

  [[nodiscard]] bool could_be(double value) const;
};

// The driver's calls that every instrument has.
struct Driver {
  std::function<asio::awaitable<Result<instrument::Identity>>()> identify;
  std::function<void()> close;
};

// What a driver sent, cut into messages: at the one byte, CR or LF, that everything it ever sent ends with; where
// there is none, as it was written.
using Messages = std::vector<std::string>;

class Session {
 public:
  Session(asio::io_context& io, FaultyLine& line, const Wishes& wishes, Duration bound)
      : io_(io), line_(line), wishes_(wishes), bound_(bound) {}
  Session(const Session&) = delete;
  Session& operator=(const Session&) = delete;

  [[nodiscard]] FaultyLine& line() { return line_; }
  [[nodiscard]] const Wishes& wishes() const { return wishes_; }
  [[nodiscard]] Findings& findings() { return findings_; }
  [[nodiscard]] Duration bound() const { return bound_; }
  void set_driver(Driver driver) { driver_ = std::move(driver); }

  // Runs a call of the driver to its end, or to the bound: then the driver is closed.
  template <class T>
  Called<T> call(asio::awaitable<Result<T>> coroutine) {
    auto held = std::make_shared<Held<T>>();
    asio::co_spawn(io_, keep<T>(std::move(coroutine), held), [held](std::exception_ptr thrown) {
      held->done = true;
      held->thrown = std::move(thrown);
    });
    const bool in_time = run_until([&held] { return held->done; }, bound_);
    if (!in_time) {
      driver_.close();
      if (!run_until([&held] { return held->done; }, bound_)) {
        stuck_ = true;
        end("a call did not end even after the port was closed");
      }
    }
    Called<T> called;
    if (held->thrown)
      called.trouble = "it threw an exception";
    else if (!in_time)
      called.trouble = "it did not end within " + seconds_text(bound_);
    else
      called.result = std::move(held->result);
    gone_ = called.result && !called.result->ok() && called.result->error().code == Errc::port_gone;
    return called;
  }

  Called<instrument::Identity> identify() { return call(driver_.identify()); }
  void close() { driver_.close(); }
  // What the guardian does after a call that failed: identifies again, after a pause where the port was gone.
  void begin_again();
  // These messages heat: none of them may be sent unasked.
  void add_heat(const Messages& messages) { heat_.insert(heat_.end(), messages.begin(), messages.end()); }
  [[nodiscard]] const Messages& heat() const { return heat_; }
  // Lets time pass while the driver may do what it does unasked.
  void wait(Duration length);

  // Asks until there is an answer, at most three times, identifying before each new attempt.
  Called<double> ask_until_answered(Question& question);
  // An answer of an unspoiled line; it is good by definition.
  bool learn(Question& question);

  // One case: `body` says what happened and gives a verdict. Not run once the session has ended.
  struct Said {
    Verdict verdict = Verdict::failed;
    std::string happened;
  };
  void run(const std::string& subject, const std::string& condition, const std::function<Said()>& body);
  // No more cases.
  void end(std::string why);
  // A call is still going on and will not end.
  [[nodiscard]] bool is_stuck() const { return stuck_; }
  [[nodiscard]] bool ended() const { return !findings_.ended_early.empty(); }

  [[nodiscard]] Messages sent_since(std::size_t mark) const;
  [[nodiscard]] static std::string seconds_text(Duration length);

 private:
  template <class T>
  struct Held {
    bool done = false;
    std::optional<Result<T>> result;
    std::exception_ptr thrown;
  };
  template <class T>
  static asio::awaitable<void> keep(asio::awaitable<Result<T>> coroutine, std::shared_ptr<Held<T>> held) {
    Result<T> result = co_await std::move(coroutine);
    held->result.emplace(std::move(result));
  }
  bool run_until(const std::function<bool()>& done, Duration longest);

  asio::io_context& io_;
  FaultyLine& line_;
  const Wishes& wishes_;
  Duration bound_;
  bool stuck_ = false;
  bool gone_ = false;  // the newest call said that the port was
  Messages heat_;
  Driver driver_;
  Findings findings_;
};

[[nodiscard]] inline Session::Said passed(std::string happened) {
  return {Verdict::passed, std::move(happened)};
}
[[nodiscard]] inline Session::Said failed(std::string happened) {
  return {Verdict::failed, std::move(happened)};
}
[[nodiscard]] inline Session::Said skipped(std::string why) {
  return {Verdict::skipped, std::move(why)};
}

// Identity, plain answers, spoiled answers, silence, unplugging. The questions know their good answers after it.
void check_questions(Session& session, std::vector<Question>& questions, const std::string& identity);
// What heats. `source` is identified.
void check_heat(Session& session, instrument::HeatSource& source, std::vector<Question>& questions);
// Refused before a byte is sent, whatever the instrument would say.
void check_refusals(
    Session& session, const std::string& subject,
    const std::vector<std::pair<std::string, std::function<asio::awaitable<Result<void>>()>>>& attempts);
// Nothing but questions when nobody asks, and nothing at all once it is closed.
void check_silence(Session& session);

}  // namespace nightwell::conformance
