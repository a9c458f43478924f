// One hook's calls: the table in hook_queue.hpp, on times that nobody waits for.
#include "daemon/hook_queue.hpp"

#include <catch2/catch.hpp>
#include <csignal>

using namespace nightwell;
using namespace nightwell::daemon;
using namespace std::chrono_literals;

namespace {

struct Bench {
  HookQueue queue{Duration(30s)};
  HookQueue::Moment now{};

  static SharedCall made(std::uint64_t record) {
    HookCall call;
    call.event = HookEvent::settled;
    call.record = record;
    return std::make_shared<const HookCall>(std::move(call));
  }
  HookEffects call(std::uint64_t record) { return queue.call(made(record), now); }
  HookEffects exits(int code, std::string said = "") { return queue.ended({code, std::nullopt}, std::move(said), now); }
  HookEffects dies(int signal) { return queue.ended({std::nullopt, signal}, "", now); }
};

bool nothing(const HookEffects& effects) {
  return effects.signal == 0 && !effects.report && effects.dropped == 0 && !effects.start;
}

}  // namespace

TEST_CASE("a call is started, and reported when its program has ended") {
  Bench bench;
  const auto begun = bench.call(7);
  REQUIRE(begun.start);
  CHECK(begun.start->record == 7u);
  CHECK_FALSE(bench.queue.idle());
  CHECK(nothing(bench.queue.started(bench.now)));
  bench.now += 1500ms;
  const auto ended = bench.exits(0, "sent");
  REQUIRE(ended.report);
  CHECK(ended.report->outcome == HookOutcome::done);
  CHECK(ended.report->end.exit == 0);
  CHECK(ended.report->took == Duration(1500ms));
  CHECK(ended.report->text == "sent");
  CHECK(bench.queue.idle());
  CHECK_FALSE(bench.queue.wake_at());
}

TEST_CASE("an exit code, a signal, and a program that cannot be started are told apart") {
  Bench bench;
  (void)bench.call(1);
  (void)bench.queue.started(bench.now);
  CHECK(bench.exits(3).report->outcome == HookOutcome::exit);
  (void)bench.call(2);
  (void)bench.queue.started(bench.now);
  CHECK(bench.dies(SIGSEGV).report->outcome == HookOutcome::signal);
  (void)bench.call(3);
  const auto failed = bench.queue.not_started("it has gone", bench.now);
  CHECK(failed.report->outcome == HookOutcome::not_started);
  CHECK(failed.report->text == "it has gone");
  CHECK_FALSE(failed.report->end.exit);
  CHECK(bench.queue.idle());
}

TEST_CASE("calls come one after the other, in order, a failure of one not being another's") {
  Bench bench;
  CHECK(bench.call(1).start);
  CHECK(nothing(bench.call(2)));
  CHECK(nothing(bench.call(3)));
  const auto second = bench.queue.not_started("no", bench.now);
  REQUIRE(second.start);
  CHECK(second.start->record == 2u);
  (void)bench.queue.started(bench.now);
  CHECK(bench.exits(1).start->record == 3u);
}

TEST_CASE("a program that runs too long is asked to end, then killed; the next one has all its time") {
  Bench bench;
  (void)bench.call(1);
  (void)bench.call(2);
  (void)bench.queue.started(bench.now);
  CHECK(bench.queue.wake_at() == bench.now + 30s);
  bench.now += 29s;
  CHECK(nothing(bench.queue.look(bench.now)));
  bench.now += 1s;
  CHECK(bench.queue.look(bench.now).signal == SIGTERM);
  CHECK(bench.queue.wake_at() == bench.now + 2s);
  bench.now += 2s;
  CHECK(bench.queue.look(bench.now).signal == SIGKILL);
  CHECK_FALSE(bench.queue.wake_at());
  CHECK(nothing(bench.queue.look(bench.now + 1h)));
  const auto ended = bench.dies(SIGKILL);
  CHECK(ended.report->outcome == HookOutcome::time_limit);
  CHECK(ended.report->end.signal == SIGKILL);
  CHECK(ended.report->took == Duration(32s));
  REQUIRE(ended.start);
  CHECK(bench.queue.wake_at() == bench.now + 30s);
}

TEST_CASE("a program that obeys its SIGTERM has passed its time all the same") {
  Bench bench;
  (void)bench.call(1);
  (void)bench.queue.started(bench.now);
  bench.now += 31s;
  CHECK(bench.queue.look(bench.now).signal == SIGTERM);
  CHECK(bench.exits(0).report->outcome == HookOutcome::time_limit);
}

TEST_CASE("a start that hangs is reported in time, and what comes up later is killed without another report") {
  Bench bench;
  (void)bench.call(1);
  (void)bench.call(2);
  bench.now += 30s;
  const auto late = bench.queue.look(bench.now);
  REQUIRE(late.report);
  CHECK(late.report->outcome == HookOutcome::time_limit);
  CHECK_FALSE(late.start);  // one at a time
  CHECK_FALSE(bench.queue.wake_at());
  bench.now += 1h;
  CHECK(bench.queue.started(bench.now).signal == SIGKILL);
  const auto next = bench.dies(SIGKILL);
  CHECK_FALSE(next.report);
  CHECK(next.start->record == 2u);
  // The same where it comes to nothing.
  bench.now += 30s;
  CHECK(bench.queue.look(bench.now).report);
  CHECK_FALSE(bench.queue.not_started("gone", bench.now).report);
  CHECK(bench.queue.idle());
}

TEST_CASE("too many calls: the first that is lost is reported, the others are counted") {
  Bench bench;
  (void)bench.call(0);
  for (std::uint64_t n = 1; n <= most_waiting_calls; ++n) CHECK(nothing(bench.call(n)));
  const auto first = bench.call(100);
  REQUIRE(first.report);
  CHECK(first.report->outcome == HookOutcome::overflow);
  CHECK(first.report->call->record == 100u);
  CHECK(nothing(bench.call(101)));
  CHECK(nothing(bench.call(102)));
  (void)bench.queue.started(bench.now);
  const auto room = bench.exits(0);
  CHECK(room.dropped == 3);
  CHECK(room.start->record == 1u);
  CHECK(nothing(bench.call(103)));
  CHECK(bench.call(104).report->outcome == HookOutcome::overflow);  // again full, again said
}

TEST_CASE("given up: what waits is dropped, what runs is ended, and nothing more is started") {
  Bench bench;
  (void)bench.call(1);
  (void)bench.call(2);
  (void)bench.queue.started(bench.now);
  const auto given_up = bench.queue.give_up(bench.now);
  CHECK(given_up.signal == SIGTERM);
  CHECK(given_up.dropped == 1);
  CHECK(bench.queue.wake_at() == bench.now + 2s);
  CHECK_FALSE(bench.dies(SIGTERM).start);
  CHECK(bench.queue.idle());
  CHECK(nothing(bench.call(3)));

  Bench starting;
  (void)starting.call(1);
  CHECK(nothing(starting.queue.give_up(starting.now)));
  CHECK(starting.queue.started(starting.now).signal == SIGTERM);
}
