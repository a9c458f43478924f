// What keeps the log readable, and what a follower is owed: both with a clock of the test's own.
#include <catch2/catch.hpp>

#include "relay/log_limit.hpp"
#include "relay/pace.hpp"

using namespace nightwell::relay;
using namespace std::chrono_literals;

TEST_CASE("ten lines at once, then one a second, and the next says how many were left out") {
  LogLimit limit;
  const LogLimit::Time start{1h};
  for (int i = 0; i < 10; ++i) CHECK(limit.may("a", start) == 0U);
  for (int i = 0; i < 5; ++i) CHECK_FALSE(limit.may("a", start + 500ms));
  CHECK(limit.may("b", start) == 0U);  // another one's lines are its own
  CHECK(limit.may("a", start + 1s) == 5U);
  CHECK_FALSE(limit.may("a", start + 1s));
  CHECK(limit.may("a", start + 1h) == 1U);
}

TEST_CASE("a thousand sources in one second share what is left, and are told apart again later") {
  LogLimit limit;
  const LogLimit::Time start{1h};
  int said = 0;
  for (int i = 0; i < 1000; ++i) said += limit.may("source " + std::to_string(i), start) ? 1 : 0;
  CHECK(said <= static_cast<int>(LogLimit::most_sources) + 10);
  CHECK(limit.may("somebody new", start + 1min) == 0U);
}

TEST_CASE("a sign of life after 15 s without a line, and a head a minute once there is one") {
  const Pace::Time start{1h};
  Pace pace(start);
  CHECK(pace.due(start + 14s) == Pace::Due::nothing);
  CHECK(pace.due(start + 15s) == Pace::Due::sign);
  CHECK(pace.next() == start + 15s);
  pace.sent_sign(start + 15s);
  CHECK(pace.due(start + 29s) == Pace::Due::nothing);
  CHECK(pace.due(start + 90s) == Pace::Due::sign);  // no record was sent: there is no head
  CHECK_FALSE(pace.has_head());
  pace.sent_records(start + 91s);
  CHECK(pace.has_head());
  CHECK(pace.due(start + 91s) == Pace::Due::head);
  pace.sent_head(start + 91s);
  CHECK(pace.next() == start + 106s);
  for (auto at = 92s; at < 151s; at += 1s) pace.sent_records(start + at);  // a busy journal puts no head off
  CHECK(pace.due(start + 151s) == Pace::Due::head);
}
