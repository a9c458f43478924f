#include "conformance/session.hpp"

#include <algorithm>
#include <cmath>
#include <set>

#include "dialect/read_dialect.hpp"
#include "journal/wording.hpp"

namespace nightwell::conformance {

namespace {

constexpr int most_attempts = 3;
constexpr Duration look_at_least{20'000};

// The longest times that a dialect states itself: of a reply, and until a reading is ready.
struct Patience {
  Duration reply{0}, wait{0};
};

Patience patience_of(const instrument::ConnectionSettings& settings) {
  Patience out;
  const auto dialect = dialect::dialect_from(settings.dialect);
  if (settings.driver != instrument::dialect_driver || !dialect) return out;
  for (const dialect::DialectCommand& command : (*dialect)->commands) {
    out.reply = std::max(out.reply, command.within);
    if (command.when_ready) out.wait = std::max(out.wait, command.when_ready->within);
  }
  return out;
}

}  // namespace

std::size_t Findings::count(Verdict verdict) const {
  return static_cast<std::size_t>(
      std::count_if(outcomes.begin(), outcomes.end(), [verdict](const Outcome& o) { return o.verdict == verdict; }));
}

Duration bound_for(const instrument::ConnectionSettings& settings) {
  // A program that hangs is killed by its host within this: what the host then says is better than that the call did not end.
  if (settings.driver == instrument::program_driver) return 8 * settings.reply + std::chrono::seconds(7);
  const Patience stated = patience_of(settings);
  return 6 * std::max(settings.reply, stated.reply) + 3 * stated.wait + std::chrono::seconds(2);
}

std::string told(const Called<double>& called) {
  if (!called.ok()) return called.result ? name(called.result->error().code) : called.trouble;
  return journal::shortest(**called.result);
}

std::string told(const Called<bool>& called) {
  if (!called.ok()) return called.result ? name(called.result->error().code) : called.trouble;
  return **called.result ? "on" : "off";
}

bool is_typed(Errc code) {
  return code != Errc::unexpected && code != Errc::bad_input && code != Errc::not_found;
}

bool refused_by_itself(const Session& session, const Error& error, std::size_t mark) {
  return (error.code == Errc::bad_input || error.code == Errc::out_of_range) && session.sent_since(mark).empty();
}

bool Question::could_be(double value) const {
  if (good.empty() || !std::isfinite(value)) return false;
  const auto [low, high] = std::minmax_element(good.begin(), good.end());
  const double room = allowance + 2 * (*high - *low) + 1e-3 * std::max(std::abs(*low), std::abs(*high));
  return value >= *low - room && value <= *high + room;
}

std::string Session::seconds_text(Duration length) {
  return journal::shortest(std::round(to_seconds(length) * 10) / 10) + " s";
}

bool Session::run_until(const std::function<bool()>& done, Duration longest) {
  const auto end = std::chrono::steady_clock::now() + longest;
  while (!done()) {
    const auto now = std::chrono::steady_clock::now();
    if (now >= end) return false;
    if (wishes_.alive) wishes_.alive();
    io_.restart();
    // A driver may wait for another thread or process and have nothing to do here for a while.
    const auto guard = asio::make_work_guard(io_);
    io_.run_one_until(std::min(end, now + look_at_least));
  }
  return true;
}

void Session::wait(Duration length) {
  (void)run_until([this] { return wishes_.stopped && wishes_.stopped(); }, length);
}

bool Session::learn(Question& question) {
  const Called<double> called = call(question.ask());
  if (!called.ok()) return false;
  question.good.push_back(**called.result);
  if (question.good.size() > 2) question.good.erase(question.good.begin());
  return true;
}

Called<double> Session::ask_until_answered(Question& question) {
  Called<double> called;
  for (int attempt = 0; attempt < most_attempts && !ended(); ++attempt) {
    if (attempt > 0) begin_again();
    called = call(question.ask());
    if (called.ok()) break;
  }
  return called;
}

void Session::begin_again() {
  if (gone_) wait(2 * away);
  (void)identify();
}

void Session::run(const std::string& subject, const std::string& condition, const std::function<Said()>& body) {
  if (!ended() && wishes_.stopped && wishes_.stopped()) end("stopped by a signal");
  if (ended()) return;
  if (gone_) begin_again();
  const std::size_t mark = line_.mark();
  const auto began = std::chrono::steady_clock::now();
  Said said = body();
  // Whatever the case left behind, the next one begins on a good line.
  line_.clear();
  line_.dam(false);
  Outcome outcome;
  outcome.subject = subject;
  outcome.condition = condition;
  outcome.happened = std::move(said.happened);
  outcome.verdict = said.verdict;
  outcome.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  outcome.evidence = line_.since(mark);
  if (wishes_.told) wishes_.told(outcome);
  findings_.outcomes.push_back(std::move(outcome));
}

void Session::end(std::string why) {
  if (findings_.ended_early.empty()) findings_.ended_early = std::move(why);
}

Messages Session::sent_since(std::size_t mark) const {
  const auto is_sent = [](const Passage& p) {
    return p.way == Passage::Way::to_instrument || p.way == Passage::Way::kept_from_instrument;
  };
  // CR or LF is an end only where everything ends so: in a binary protocol it is a byte like any other.
  std::set<char> ends;
  for (const Passage& passage : line_.since(0))
    if (is_sent(passage) && !passage.bytes.empty()) ends.insert(passage.bytes.back());
  const bool in_lines = ends.size() == 1 && (*ends.begin() == '\n' || *ends.begin() == '\r');
  Messages out;
  std::string line;
  for (const Passage& passage : line_.since(mark)) {
    if (!is_sent(passage)) continue;
    if (!in_lines) {
      out.push_back(passage.bytes);
      continue;
    }
    for (const char c : passage.bytes) {
      line += c;
      if (c == *ends.begin()) out.push_back(std::exchange(line, ""));
    }
  }
  if (!line.empty()) out.push_back(line);
  return out;
}

}  // namespace nightwell::conformance
