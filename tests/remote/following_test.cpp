#include "remote/following.hpp"

#include <catch2/catch.hpp>
#include <chrono>

#include "small_journal.hpp"

using namespace nightwell;
using namespace nightwell::remote;
using namespace std::chrono_literals;
using remote_test::SmallJournal;
using remote_test::told;

namespace {

Instant second(int s) {
  return Instant{std::chrono::seconds(s)};
}

// What a follower was given, as its owner would keep it.
struct Given {
  std::string records, heads, news, opened;

  void take(Following& following, const Happenings& happenings, Instant now) {
    bool hello = false;
    for (const auto& happening : happenings) {
      if (const auto* record = std::get_if<NewRecord>(&happening)) records += std::string(record->line) + "\n";
      if (const auto* head = std::get_if<NewHead>(&happening)) heads += head->line + "\n";
      if (const auto* text = std::get_if<News>(&happening)) news += text->text + "\n";
      if (const auto* run = std::get_if<Opened>(&happening)) {
        opened = run->run;
        hello = true;
      }
    }
    if (hello) take(following, following.bytes("", now), now);
  }
};

struct Follower {
  Following following;
  Given given;

  explicit Follower(Wanted wanted) : following(std::move(wanted)) {}
  void connect(int s) {
    REQUIRE(following.wants_line(second(s)));
    following.connected(second(s));
  }
  void bytes(const std::string& text, int s) { given.take(following, following.bytes(text, second(s)), second(s)); }
  void lost(Trouble::Kind kind, const std::string& text, int s) {
    given.take(following, following.lost({kind, text}, second(s)), second(s));
  }
  void passed(int s) { given.take(following, following.passed(second(s)), second(s)); }
  [[nodiscard]] int pause_after(int s) const {
    return static_cast<int>((following.wake() - second(s)) / std::chrono::milliseconds(1));
  }
};

Wanted wanted(const std::string& run = "night-1", bool follow = true) {
  Wanted out;
  out.run = run;
  out.follow = follow;
  out.silence = 300s;
  return out;
}

std::string hello(std::uint64_t from, const std::string& run = "night-1") {
  return told(Hello{run, from});
}

std::string refusal(Refusal code) {
  return told(ErrorLine{code, "told why"});
}

}  // namespace

TEST_CASE("a whole night in one go: every record once, the head kept, done at the end") {
  const SmallJournal night(6);
  Follower follower(wanted(""));
  CHECK(follower.following.request() == R"({"follow":"","from":0})");
  follower.connect(0);
  follower.bytes(hello(0) + night.bytes() + told(night.head(5)) + told(End{true}), 0);
  CHECK(follower.given.opened == "night-1");
  CHECK(follower.given.records == night.bytes());
  CHECK(follower.given.heads == told(night.head(5)));
  CHECK(follower.following.ended());
  CHECK(follower.following.outcome() == Outcome::done);
  CHECK(follower.following.reason().empty());
}

TEST_CASE("cut off at any byte and taken up again, nothing is missing and nothing comes twice") {
  const SmallJournal night(6);
  const std::string all = hello(0) + night.bytes() + told(night.head(5)) + told(End{true});
  for (std::size_t cut = 0; cut < all.size(); ++cut) {
    Follower follower(wanted());
    follower.connect(0);
    follower.bytes(all.substr(0, cut), 0);
    follower.lost(Trouble::Kind::passing, "cut", 1);
    const std::uint64_t next = follower.following.check().lines();
    const auto request = parse_request(follower.following.request());
    REQUIRE(request);
    const auto& asked = std::get<JournalRequest>(*request);
    REQUIRE(asked.from == next);
    REQUIRE(asked.prev == (next == 0 ? std::nullopt : std::optional(night.hash(next - 1))));
    follower.connect(40);
    follower.bytes(hello(next) + night.bytes(next, 6) + told(night.head(5)) + told(End{true}), 40);
    REQUIRE(follower.given.records == night.bytes());
    REQUIRE(follower.following.outcome() == Outcome::done);
  }
}

TEST_CASE("one byte at a time is the same as all at once") {
  const SmallJournal night(4);
  Follower follower(wanted());
  follower.connect(0);
  for (const char c : hello(0) + night.bytes() + told(End{true})) follower.bytes(std::string(1, c), 0);
  CHECK(follower.given.records == night.bytes());
  CHECK(follower.following.ended());
}

TEST_CASE("a copy that is there is carried on: at once where the run is known, after the hello where it is not") {
  const SmallJournal night(5);
  journal::LineCheck check("copy"), again("copy");
  for (int i = 0; i < 3; ++i) {
    REQUIRE(check.accept(night.lines[static_cast<std::size_t>(i)]));
    REQUIRE(again.accept(night.lines[static_cast<std::size_t>(i)]));
  }
  Follower known(wanted());
  known.following.carry_on(std::move(check));
  CHECK(known.following.request() == R"({"follow":"night-1","from":3,"prev":")" + night.hash(2) + "\"}");

  Following newest(wanted(""));
  newest.connected(second(0));
  const auto first = newest.bytes(hello(0) + night.bytes(), second(0));
  REQUIRE(first.size() == 1);
  REQUIRE(std::holds_alternative<Opened>(first[0]));
  newest.carry_on(std::move(again));
  CHECK_FALSE(newest.on_line());
  CHECK(newest.wants_line(second(0)));
  CHECK(newest.request() == R"({"follow":"night-1","from":3,"prev":")" + night.hash(2) + "\"}");
}

TEST_CASE("another history is told, whatever was wished, and ends the following") {
  const SmallJournal night(5, false), other(5, false, "b");
  for (const bool follow : {true, false}) {
    SECTION(follow ? "following" : "reading") {
      Follower follower(wanted("night-1", follow));
      follower.connect(0);
      SECTION("a record that does not carry on") {
        follower.bytes(hello(0) + night.bytes(0, 3) + other.bytes(3, 5), 0);
      }
      SECTION("a head with another hash") {
        follower.bytes(hello(0) + night.bytes(0, 3) + told(other.head(2)), 0);
      }
      SECTION("a head of a record that never came") {
        follower.bytes(hello(0) + night.bytes(0, 3) + told(night.head(3)), 0);
      }
      SECTION("the relay says so") {
        follower.bytes(hello(0) + night.bytes(0, 3) + refusal(Refusal::changed), 0);
      }
      SECTION("the journal became shorter") {
        follower.bytes(hello(0) + night.bytes(0, 3) + refusal(Refusal::no_such_record), 0);
      }
      CHECK(follower.following.ended());
      CHECK(follower.following.outcome() == Outcome::changed);
      CHECK(follower.given.records == night.bytes(0, 3));
    }
  }
}

TEST_CASE("refusals that trying again does not mend end it, the others do not") {
  struct Case {
    Refusal code;
    bool ends;
    Outcome outcome;
  };
  const auto [code, ends, outcome] = GENERATE(values<Case>({{Refusal::bad_request, true, Outcome::refused},
                                                            {Refusal::no_such_run, true, Outcome::refused},
                                                            {Refusal::no_such_record, true, Outcome::refused},
                                                            {Refusal::damaged, true, Outcome::damaged},
                                                            {Refusal::full, false, Outcome::done},
                                                            {Refusal::storage, false, Outcome::done}}));
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(refusal(code), 0);
  CHECK(follower.following.ended() == ends);
  if (ends) CHECK(follower.following.outcome() == outcome);
  CHECK((ends ? follower.following.reason() : follower.given.news).find("told why") != std::string::npos);
  // Without --follow nothing is tried again.
  Follower reader(wanted("night-1", false));
  reader.connect(0);
  reader.bytes(refusal(code), 0);
  CHECK(reader.following.ended());
  CHECK(reader.following.outcome() == (ends ? outcome : Outcome::unreachable));
}

TEST_CASE("what is no relay's answer is dropped and asked for again") {
  const SmallJournal night(4, false);
  const auto garbage = GENERATE_COPY(
      values<std::string>({"HTTP/1.1 200 OK\n", "\n", "{\"relay\":\"hello\"}\n", "{\"relay\":\"dance\"}\n",
                           hello(0) + hello(0), hello(7), hello(0, "other-run"), night.bytes(0, 1), told(night.head(0)),
                           hello(0) + told(RunLine{}), std::string(70'000, 'x'), std::string("\x1b[2J\0\n", 6)}));
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(garbage, 0);
  CHECK_FALSE(follower.following.on_line());
  CHECK_FALSE(follower.following.ended());
  CHECK(follower.given.news.find("no relay's answer") != std::string::npos);
  CHECK(follower.given.records.empty());
}

TEST_CASE("a record that no journal may hold ends it as damaged") {
  const SmallJournal night(4, false);
  std::string bent = night.lines[1];
  bent.replace(bent.find("\"a\""), 3, "\"\x1b\"");
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(hello(0) + night.bytes(0, 1) + bent + "\n", 0);
  CHECK(follower.following.outcome() == Outcome::damaged);
  CHECK(follower.given.records == night.bytes(0, 1));
}

TEST_CASE("a journal that is said to be closed without a closing record is not whole") {
  const SmallJournal night(4, false);
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(hello(0) + night.bytes() + told(End{true}), 0);
  CHECK(follower.following.outcome() == Outcome::damaged);
}

TEST_CASE(
    "pauses grow from 1 s to 30 s, each shortened by at most a half, and begin anew after a line that gave something") {
  const SmallJournal night(4, false);
  Follower follower(wanted());
  int now = 0;
  for (const int longest : {1, 2, 4, 8, 16, 30, 30, 30}) {
    follower.lost(Trouble::Kind::passing, "no", now);
    CHECK(follower.pause_after(now) <= longest * 1000);
    CHECK(follower.pause_after(now) >= longest * 500 - 1);
    CHECK_FALSE(follower.following.wants_line(second(now)));
    now += 100;
    REQUIRE(follower.following.wants_line(second(now)));
  }
  follower.connect(now);
  follower.bytes(hello(0) + night.bytes(0, 2), now);
  follower.lost(Trouble::Kind::passing, "no", now);
  CHECK(follower.pause_after(now) <= 1000);
}

TEST_CASE("each reason is told once until the line is up again, and then that it is") {
  Follower follower(wanted());
  follower.lost(Trouble::Kind::passing, "no answer", 0);
  follower.lost(Trouble::Kind::passing, "no answer", 10);
  follower.lost(Trouble::Kind::passing, "refused", 20);
  follower.lost(Trouble::Kind::passing, "no answer", 30);
  follower.connect(100);
  follower.bytes(hello(0) + told(Idle{SmallJournal::utc}), 100);
  CHECK(follower.given.news ==
        "no line to the relay: no answer; trying again until it is there\n"
        "still no line to the relay: refused\n"
        "the line to the relay is up again, after 100 s; it goes on at record 0\n");
}

TEST_CASE("a reason behind hello is told once too, and the line is up again once it has given something") {
  const SmallJournal night(5, false);
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(hello(0) + night.bytes(0, 3), 0);
  for (const int s : {100, 200, 300, 400}) {
    follower.lost(Trouble::Kind::passing, "cut", s - 50);
    follower.connect(s);
    follower.bytes(hello(3) + refusal(Refusal::storage), s);
  }
  CHECK(follower.given.news ==
        "no line to the relay: cut; trying again until it is there\n"
        "still no line to the relay: the relay says no (storage): told why\n");
  follower.given.news.clear();
  follower.connect(500);
  follower.bytes(hello(3) + night.bytes(3, 4), 500);
  CHECK(follower.given.news == "the line to the relay is up again, after 450 s; it goes on at record 3\n");
  follower.given.news.clear();
  follower.lost(Trouble::Kind::passing, "cut", 600);
  follower.connect(700);
  follower.bytes(hello(4) + told(Idle{SmallJournal::utc}), 700);
  CHECK(follower.given.news ==
        "no line to the relay: cut; trying again until it is there\n"
        "the line to the relay is up again, after 100 s; it goes on at record 4\n");
}

TEST_CASE("nothing for 45 s is a dead line; an idle line keeps it alive") {
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(hello(0), 0);
  follower.passed(44);
  CHECK(follower.following.on_line());
  follower.bytes(told(Idle{SmallJournal::utc}), 44);
  follower.passed(88);
  CHECK(follower.following.on_line());
  CHECK(follower.following.wake() == second(89));
  follower.passed(89);
  CHECK_FALSE(follower.following.on_line());
  CHECK(follower.given.news.find("nothing came for 45 s") != std::string::npos);
}

TEST_CASE("a live line without records for 300 s is told once, and when they come again") {
  const SmallJournal night(4, false);
  Follower follower(wanted());
  follower.connect(0);
  follower.bytes(hello(0) + night.bytes(0, 3), 10);
  for (int s = 25; s <= 640; s += 15) follower.bytes(told(Idle{SmallJournal::utc}), s);
  CHECK(follower.given.news ==
        "no record for 300 s, and the relay is there (its clock: 2026-11-25T20:15:00.000000Z): the daemon may be dead; "
        "look after the run\n");
  follower.given.news.clear();
  follower.bytes(night.bytes(3, 4), 650);
  CHECK(follower.given.news == "records come again, after 640 s\n");
}

TEST_CASE("silence is not told of a closed journal, nor where nobody wants to know") {
  const SmallJournal night(4, false);
  Wanted silent = wanted();
  silent.silence = 0s;
  Follower follower(silent);
  follower.connect(0);
  follower.bytes(hello(0) + night.bytes(), 0);
  for (int s = 15; s <= 3000; s += 15) follower.bytes(told(Idle{SmallJournal::utc}), s);
  CHECK(follower.given.news.empty());
}

TEST_CASE("who cannot prove to be the relay is final at the first contact, and a foreign network's business after it") {
  Follower first(wanted());
  first.lost(Trouble::Kind::identity, "foreign", 0);
  CHECK(first.following.outcome() == Outcome::refused);
  CHECK(first.following.ended());
  Follower later(wanted());
  later.connect(0);
  later.bytes(hello(0), 0);
  later.lost(Trouble::Kind::identity, "foreign", 5);
  CHECK_FALSE(later.following.ended());
  later.lost(Trouble::Kind::final, "not on the list", 50);
  CHECK(later.following.ended());
  CHECK(later.following.reason() == "not on the list");
}

// TLS keeps others out; this is about a relay that is broken, or not what it was. The chain protects a record once the next one has
// come, so the last one given may be bent.
TEST_CASE("whatever bytes come, what is given is the journal as far as it was proved") {
  const SmallJournal night(12);
  const std::string all = hello(0) + night.bytes(0, 6) + told(night.head(5)) + night.bytes(6, 12) + told(End{true});
  std::minstd_rand random(20261126);
  const auto below = [&](std::size_t limit) { return static_cast<std::size_t>(random()) % limit; };
  for (int trial = 0; trial < 1000; ++trial) {
    std::string bent = all;
    for (std::size_t changes = 1 + below(3); changes > 0; --changes) {
      const std::size_t at = below(bent.size());
      const auto byte = static_cast<char>(below(256));
      switch (below(4)) {
        case 0: bent[at] = byte; break;
        case 1: bent.insert(at, 1, byte); break;
        case 2: bent.erase(at, 1 + below(40)); break;
        default: bent.insert(at, bent.substr(below(bent.size()), below(200)));
      }
    }
    Follower follower(wanted());
    follower.connect(0);
    for (std::size_t at = 0; at < bent.size() && follower.following.on_line();) {
      const std::size_t count = 1 + below(400);
      follower.bytes(bent.substr(at, count), 0);
      at += count;
    }
    std::string proved = follower.given.records;
    if (!proved.empty()) proved.erase(proved.rfind('\n', proved.size() - 2) + 1);
    REQUIRE(night.bytes().compare(0, proved.size(), proved) == 0);
  }
}
