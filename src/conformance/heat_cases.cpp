// The cases of a heat source's settings. The order matters: the output stays off until targets have been set and read back.
#include <algorithm>
#include <array>
#include <cmath>

#include "conformance/session.hpp"
#include "journal/wording.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::conformance {

namespace {

using Said = Session::Said;

constexpr std::array setting_spoils = {Spoil::silent, Spoil::garbage, Spoil::cut_short,
                                       Spoil::late,   Spoil::twice,   Spoil::old_in_front,
                                       Spoil::echo,   Spoil::looped,  Spoil::unplugged};
constexpr std::array on_spoils = {Spoil::silent, Spoil::late, Spoil::looped};
constexpr std::array park_spoils = {Spoil::none, Spoil::silent, Spoil::garbage,
                                    Spoil::late, Spoil::looped, Spoil::unplugged};
// Targets are whole degrees, one degree apart; an instrument may round to half of one in its own unit.
constexpr double target_tolerance_k = 0.4;
constexpr int off_attempts = 3;
constexpr Duration after_park_look{500'000};

std::string degrees(double t_c) {
  return journal::shortest(t_c) + " °C";
}

bool holds(const Messages& list, const std::string& message) {
  return std::find(list.begin(), list.end(), message) != list.end();
}

Messages without(const Messages& from, const Messages& taken) {
  Messages out;
  for (const std::string& message : from)
    if (!holds(taken, message) && !holds(out, message)) out.push_back(message);
  return out;
}

Messages in_both(const Messages& one, const Messages& other) {
  Messages out;
  for (const std::string& message : one)
    if (holds(other, message) && !holds(out, message)) out.push_back(message);
  return out;
}

class HeatCases {
 public:
  HeatCases(Session& session, instrument::HeatSource& source, std::vector<Question>& questions)
      : session_(session), source_(source), questions_(questions) {}

  void run() {
    const Wishes& wishes = session_.wishes();
    if (!choose_targets()) return;
    if (wishes.before_heat)
      if (const auto armed = wishes.before_heat(std::min(one_c_, other_c_)); !armed)
        return session_.run("all that heats", "", [&] { return skipped(armed.error().text()); });
    const Messages questions = session_.sent_since(0);
    session_.run("setting the target", "unspoiled, output off", [&] { return set_and_learn(questions); });
    if (session_.findings().outcomes.back().verdict == Verdict::passed) {
      session_.run("switching the output", "unspoiled", [&] { return switch_and_learn(questions); });
      const bool switches = session_.findings().outcomes.back().verdict == Verdict::passed;
      for (const Spoil spoil : setting_spoils)
        session_.run("setting the target", name(spoil), [&] { return spoiled_target(spoil); });
      session_.run("setting the target", "the instrument refuses", [&] { return refused_target(); });
      if (switches) {
        for (const Spoil spoil : on_spoils)
          session_.run("switching the output on", name(spoil), [&] { return spoiled_on(spoil); });
        session_.run("parking", "the output is off already", [&] { return park(false, Spoil::none); });
        for (const Spoil spoil : park_spoils)
          session_.run("parking", std::string("the output is on, ") + name(spoil), [&] { return park(true, spoil); });
        session_.run("parking", "the output is on, the instrument falls silent", [&] { return park_in_silence(); });
      }
    }
    leave_off();
  }

 private:
  bool choose_targets() {
    const Wishes& wishes = session_.wishes();
    const double lowest = std::ceil(wishes.lowest_c), highest = std::floor(wishes.highest_c);
    std::string why;
    const auto temperature = session_.call(source_.read_temperature());
    if (!temperature.ok()) why = "the temperature could not be read";
    if (highest - lowest < 1) why = "the limits leave no room for two targets one degree apart";
    if (!why.empty()) {
      session_.run("all that heats", "", [&] { return skipped(why); });
      return false;
    }
    one_c_ = std::clamp(std::round(**temperature.result), lowest, highest);
    other_c_ = one_c_ + 1 <= highest ? one_c_ + 1 : one_c_ - 1;
    return true;
  }

  // ---- small steps ----

  Called<double> target_now() {
    Called<double> called;
    for (int attempt = 0; attempt < off_attempts && !called.ok() && !session_.ended(); ++attempt) {
      if (attempt > 0) session_.begin_again();
      called = session_.call(source_.read_target());
    }
    return called;
  }
  Called<bool> output_now() {
    Called<bool> called;
    for (int attempt = 0; attempt < off_attempts && !called.ok() && !session_.ended(); ++attempt) {
      if (attempt > 0) session_.begin_again();
      called = session_.call(source_.read_output());
    }
    return called;
  }
  // Empty: off, and read back so.
  std::string off() {
    std::string last = "not tried";
    for (int attempt = 0; attempt < off_attempts; ++attempt) {
      if (attempt > 0) session_.begin_again();
      const auto told_off = session_.call(source_.set_output(false));
      const auto now = session_.call(source_.read_output());
      if (told_off.ok() && now.ok() && !**now.result) return "";
      last = "off said " + told(told_off) + ", and the output reads " + told(now);
    }
    return last;
  }
  // Sets it on a good line; empty: it is read back.
  std::string set(double t_c) {
    const auto done = session_.call(source_.set_target(t_c));
    if (!done.ok())
      return "setting " + degrees(t_c) + ": " + (done.result ? done.result->error().text() : done.trouble);
    const auto now = target_now();
    if (!now.ok() || std::abs(**now.result - t_c) > target_tolerance_k)
      return "set " + degrees(t_c) + ", but it reads " + told(now);
    last_set_c_ = t_c;
    return "";
  }
  // Before every "on": what an earlier case left behind must not be heated to. Empty: it may be switched on.
  std::string why_not_on() {
    const auto now = target_now();
    if (!now.ok()) return "not switched on: the target reads " + told(now);
    const Wishes& wishes = session_.wishes();
    if (**now.result >= wishes.lowest_c - target_tolerance_k && **now.result <= wishes.highest_c + target_tolerance_k)
      return "";
    return "not switched on: the target reads " + degrees(**now.result) + ", and " + degrees(wishes.lowest_c) + " to " +
           degrees(wishes.highest_c) + " are allowed";
  }
  [[nodiscard]] double another_c() const { return last_set_c_ == one_c_ ? other_c_ : one_c_; }

  // ---- the heat commands by their bytes ----

  Said set_and_learn(const Messages& questions) {
    std::array<Messages, 3> sent;
    const std::array targets = {one_c_, other_c_, one_c_};
    if (const std::string problem = off(); !problem.empty()) return failed(problem);
    const Messages known = session_.sent_since(0);
    for (std::size_t i = 0; i < targets.size(); ++i) {
      const std::size_t mark = session_.line().mark();
      if (const std::string problem = set(targets[i]); !problem.empty()) return failed(problem);
      sent[i] = session_.sent_since(mark);
    }
    one_ = without(without(in_both(sent[0], sent[2]), sent[1]), questions);
    other_ = without(without(sent[1], sent[0]), questions);
    session_.add_heat(one_);
    session_.add_heat(other_);
    return passed(degrees(one_c_) + " and " + degrees(other_c_) + ", each read back");
  }

  Said switch_and_learn(const Messages& questions) {
    std::array<Messages, 2> on;
    std::array<Messages, 2> off_messages;
    for (std::size_t i = 0; i < on.size(); ++i) {
      if (const std::string problem = why_not_on(); !problem.empty()) return failed(problem);
      std::size_t mark = session_.line().mark();
      const auto done = session_.call(source_.set_output(true));
      if (!done.ok()) return failed_and_off("on: " + (done.result ? done.result->error().text() : done.trouble));
      on[i] = session_.sent_since(mark);
      const auto now = output_now();
      if (!now.ok() || !**now.result) return failed_and_off("switched on, but it reads " + told(now));
      mark = session_.line().mark();
      if (const std::string problem = off(); !problem.empty()) return failed(problem);
      off_messages[i] = session_.sent_since(mark);
    }
    on_ = without(without(in_both(on[0], on[1]), off_messages[0]), questions);
    session_.add_heat(on_);
    off_ = without(without(in_both(off_messages[0], off_messages[1]), on[0]), questions);
    return passed("on and off, each read back");
  }

  // What may be on is off before anybody is told.
  Said failed_and_off(const std::string& what) {
    const std::string problem = off();
    return failed(problem.empty() ? what : what + "; then it could not be switched off: " + problem);
  }

  // How often the heat command was sent; 0 where its bytes are not known.
  [[nodiscard]] std::ptrdiff_t times_sent(const Messages& command, std::size_t mark) const {
    if (command.empty()) return 0;
    const Messages sent = session_.sent_since(mark);
    return std::count(sent.begin(), sent.end(), command.front());
  }
  [[nodiscard]] static std::string how_often(const Messages& command, std::ptrdiff_t times) {
    return command.empty() ? "; how often it was sent cannot be told from its bytes"
           : times == 0    ? "; not sent"
                           : "; sent once";
  }

  // ---- cases ----

  Said spoiled_target(Spoil spoil) {
    const double t_c = another_c();
    const Messages& command = t_c == one_c_ ? one_ : other_;
    const std::size_t mark = session_.line().mark();
    session_.line().spoil(spoil, spoil == Spoil::looped ? 0 : 1);
    const auto done = session_.call(source_.set_target(t_c));
    session_.line().clear();
    const auto times = times_sent(command, mark);
    if (times > 1) return failed("sent the heat command " + std::to_string(times) + " times");
    if (!done.result) return failed(done.trouble);
    if (!done.ok() && !is_typed(done.result->error().code)) return failed(done.result->error().text());
    const auto now = target_now();
    if (!now.ok()) return failed("said " + told(done) + "; then the target could not be read: " + told(now));
    if (done.ok() && std::abs(**now.result - t_c) > target_tolerance_k)
      return failed("said that " + degrees(t_c) + " is set, but it reads " + told(now));
    last_set_c_ = std::abs(**now.result - one_c_) < target_tolerance_k ? one_c_ : other_c_;
    return passed(told(done) + (done.ok() ? ", and read back" : ", then read as " + degrees(**now.result)) +
                  how_often(command, times));
  }

  Said refused_target() {
    const Wishes& wishes = session_.wishes();
    double t_c = another_c();
    if (wishes.refused_c)
      t_c = *wishes.refused_c;
    else if (wishes.refuse_next)
      wishes.refuse_next();
    else
      return skipped("no target is known that the instrument must refuse (--refused-target)");
    const std::size_t mark = session_.line().mark();
    const auto done = session_.call(source_.set_target(t_c));
    if (done.result && !done.ok() && refused_by_itself(session_, done.result->error(), mark))
      return skipped(
          "the driver refuses it itself and sent nothing, so the instrument could not: name a target that the driver "
          "lets through (--refused-target), where there is one");
    const auto now = target_now();
    // It may have been taken: whatever the verdict, nothing is left set that was not allowed.
    if (!now.ok() || std::abs(**now.result - last_set_c_) > target_tolerance_k) (void)set(last_set_c_);
    if (done.ok()) return failed("said \"done\" to what the instrument refuses");
    if (!done.result) return failed(done.trouble);
    if (done.result->error().code != Errc::refused)
      return failed("said " + told(done) + " where the instrument refused: " + done.result->error().text());
    if (!now.ok() || std::abs(**now.result - last_set_c_) > target_tolerance_k)
      return failed("refused, but the target reads " + told(now));
    return passed("refused, and the target is as it was");
  }

  Said spoiled_on(Spoil spoil) {
    if (const std::string problem = why_not_on(); !problem.empty()) return failed(problem);
    const std::size_t mark = session_.line().mark();
    session_.line().spoil(spoil, spoil == Spoil::looped ? 0 : 1);
    const auto done = session_.call(source_.set_output(true));
    session_.line().clear();
    const auto times = times_sent(on_, mark);
    const auto now = output_now();
    const std::string problem = off();
    if (times > 1) return failed("sent the heat command " + std::to_string(times) + " times");
    if (!done.result) return failed(done.trouble);
    if (!now.ok()) return failed("said " + told(done) + "; then the output could not be read: " + told(now));
    if (done.ok() && !**now.result) return failed("said that the output is on, but it reads off");
    if (!problem.empty()) return failed("then it could not be switched off: " + problem);
    return passed(told(done) + ", then read as " + told(now) + how_often(on_, times) + "; off again");
  }

  Said park(bool on, Spoil spoil) {
    if (on) {
      if (const std::string problem = why_not_on(); !problem.empty()) return failed(problem);
      const auto done = session_.call(source_.set_output(true));
      if (!done.ok()) return failed_and_off("it could not be switched on first: " + told(done));
    }
    if (spoil != Spoil::none) session_.line().spoil(spoil, spoil == Spoil::looped ? 0 : 1);
    const auto first = session_.call(source_.set_output(false));
    session_.line().clear();
    if (!first.result) return failed_and_off(first.trouble);
    if (first.ok()) {
      const auto now = output_now();
      if (!now.ok() || **now.result) return failed_and_off("said that it is off, but the output reads " + told(now));
    }
    if (const std::string problem = off(); !problem.empty()) return failed(problem);
    return nothing_after(told(first) + "; off, and read back");
  }

  Said park_in_silence() {
    if (const std::string problem = why_not_on(); !problem.empty()) return failed(problem);
    const auto done = session_.call(source_.set_output(true));
    if (!done.ok()) return failed_and_off("it could not be switched on first: " + told(done));
    const std::size_t mark = session_.line().mark();
    session_.line().spoil(Spoil::silent, 0);
    const auto first = session_.call(source_.set_output(false));
    const Messages sent = session_.sent_since(mark);
    session_.line().clear();
    const std::string problem = off();
    if (!first.result) return failed(first.trouble);
    if (first.ok()) return failed("said that it is off, though nothing was heard");
    if (sent.empty() || (!off_.empty() && !holds(sent, off_.front()))) return failed("\"off\" did not go out");
    if (!problem.empty()) return failed(problem);
    return nothing_after(told(first) + ", but \"off\" went out at once; then off, and read back");
  }

  // Questions may follow a park, settings may not.
  Said nothing_after(const std::string& so_far) {
    const std::size_t mark = session_.line().mark();
    session_.wait(after_park_look / 5);
    for (const std::string& message : session_.sent_since(mark))
      if (holds(one_, message) || holds(other_, message) || holds(on_, message))
        return failed("a heat command was sent after the park: \"" + instrument::printable(message) + "\"");
    return passed(so_far);
  }

  void leave_off() {
    std::string problem = "not tried";
    const std::size_t mark = session_.line().mark();
    session_.line().clear();
    session_.line().dam(false);
    problem = off();
    Outcome outcome;
    outcome.subject = "the output at the end";
    outcome.condition = "unspoiled";
    outcome.verdict = problem.empty() ? Verdict::passed : Verdict::failed;
    outcome.happened = problem.empty() ? "off, and read back" : problem;
    outcome.evidence = session_.line().since(mark);
    if (session_.wishes().told) session_.wishes().told(outcome);
    session_.findings().outcomes.push_back(std::move(outcome));
  }

  Session& session_;
  instrument::HeatSource& source_;
  std::vector<Question>& questions_;
  double one_c_ = 0, other_c_ = 0, last_set_c_ = 0;
  Messages one_, other_, on_, off_;  // each command by its bytes; empty: they are never the same twice
};

}  // namespace

void check_heat(Session& session, instrument::HeatSource& source, std::vector<Question>& questions) {
  HeatCases(session, source, questions).run();
}

}  // namespace nightwell::conformance
