// A reading that is begun, asked after until it is ready, and fetched, through the whole engine on virtual time.
#include <algorithm>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "dialect/codec.hpp"
#include "dialect/wire_in_memory.hpp"
#include "instrument/line_scanner.hpp"

namespace nightwell::instrument::test {

namespace {

using Heard = std::vector<std::string>;

constexpr Duration one_ms{1000};

std::vector<Chunk> in_a_moment(const std::string& text) {
  return {Chunk{one_ms, text + "\n"}};
}

nlohmann::json polled_json() {
  return nlohmann::json::parse(R"({
    "format": "nightwell-dialect/1", "dialect": "polled", "revision": 1, "for": "scanner",
    "line": {"command_end": "LF", "reply_end": "LF"},
    "fields": {"n": {"type": "number", "unit": "ohm"}, "who": {"type": "text"}, "word": {"type": "word"},
               "bits": {"type": "integer"}, "ch": {"type": "channel", "lowest": 1, "highest": 9}},
    "refused": ["no: {who}"],
    "commands": {
      "identity": {"kind": "query", "send": "who", "reply": "I am {who}"},
      "take": {"kind": "safe_setting", "send": "take {ch}", "reply": "taking {ch}"},
      "state": {"kind": "query", "send": "state?", "reply": "state {word}"},
      "read_resistance": {"kind": "query", "send": "value?", "reply": "{ch} {n}", "value": "n", "begin": "take",
                          "when_ready": {"query": "state", "is": "state ready", "every_ms": 50, "within_s": 1}}}})");
}

// An instrument that is ready after so many questions, and whose answers can be bent one by one.
struct PolledLab {
  explicit PolledLab(const nlohmann::json& dialect = polled_json()) {
    line = std::make_shared<MemoryLine>("\n", [this](const std::string& message) { return answer(message); });
    ConnectionSettings settings;
    settings.name = "the scanner";
    settings.reply = std::chrono::milliseconds(100);
    scanner = std::make_unique<LineScanner>(wire_to(line), settings,
                                            std::make_unique<dialect::DialectScanner>(dialect_of(dialect.dump())));
    REQUIRE(call(scanner->identify()).ok());
    line->heard.clear();
  }

  std::vector<Chunk> answer(const std::string& message) {
    if (message == "state?") asked_at.push_back(line->now);
    if (bend)
      if (auto bent = bend(message)) return *bent;
    if (message == "who") return in_a_moment("I am SEEDBANK");
    if (message.starts_with("take ")) {
      taken = message.substr(5);
      busy_left = busy;
      return in_a_moment("taking " + taken);
    }
    if (message == "state?") return in_a_moment(busy_left-- > 0 ? "state busy" : "state ready");
    if (message == "value?") return in_a_moment(taken + " 1.5");
    return {};
  }

  template <class Value>
  Result<Value> call(asio::awaitable<Result<Value>> what) {
    std::optional<Result<Value>> out;
    asio::co_spawn(io, keep_value(std::move(what), out), asio::detached);
    io.restart();
    io.run();
    REQUIRE(out.has_value());
    return *out;
  }
  Result<Reading> read() {
    ChannelSetup channel;
    channel.address = 7;
    channel.measures = Quantity::resistance;
    return call(scanner->read(channel));
  }
  [[nodiscard]] long sent(const std::string& message) const {
    return std::count(line->heard.begin(), line->heard.end(), message);
  }

  int busy = 0, busy_left = 0;
  std::string taken = "1";
  std::function<std::optional<std::vector<Chunk>>(const std::string&)> bend;
  std::vector<SteadyTime> asked_at;
  std::shared_ptr<MemoryLine> line;
  std::unique_ptr<LineScanner> scanner;
  asio::io_context io{1};

 private:
  template <class Value>
  static asio::awaitable<void> keep_value(asio::awaitable<Result<Value>> call, std::optional<Result<Value>>& out) {
    out = co_await std::move(call);
  }
};

double ohms(const Result<Reading>& reading) {
  INFO((reading ? std::string() : reading.error().text()));
  REQUIRE(reading.ok());
  return reading->value;
}

// The n-th answer to one message is another.
auto nth(const std::string& of, int n, std::vector<Chunk> instead) {
  auto seen = std::make_shared<int>(0);
  return [=](const std::string& message) -> std::optional<std::vector<Chunk>> {
    if (message != of || ++*seen != n) return std::nullopt;
    return instead;
  };
}

}  // namespace

TEST_CASE("a reading that is ready at once is begun, asked after once, and fetched", "[ready]") {
  PolledLab lab;
  const auto reading = lab.read();
  CHECK(ohms(reading) == 1.5);
  CHECK_FALSE(reading->odd);
  CHECK(lab.line->heard == Heard{"take 7", "state?", "value?"});
}

TEST_CASE("an instrument is asked until it is ready, with the pause of the file between", "[ready]") {
  PolledLab lab;
  lab.busy = 3;
  CHECK(ohms(lab.read()) == 1.5);
  CHECK(lab.line->heard == Heard{"take 7", "state?", "state?", "state?", "state?", "value?"});
  REQUIRE(lab.asked_at.size() == 4);
  for (std::size_t i = 1; i < lab.asked_at.size(); ++i)
    CHECK(lab.asked_at[i] - lab.asked_at[i - 1] == std::chrono::milliseconds(51));  // 1 ms of answer, 50 of pause
}

TEST_CASE("the pause of the line is kept where it is the longer one", "[ready]") {
  nlohmann::json slow = polled_json();
  slow["line"]["pause_ms"] = 80;
  PolledLab lab(slow);
  lab.busy = 2;
  CHECK(ohms(lab.read()) == 1.5);
  REQUIRE(lab.asked_at.size() == 3);
  CHECK(lab.asked_at[2] - lab.asked_at[1] == std::chrono::milliseconds(81));
}

TEST_CASE("what is never ready ends at its deadline, is not begun again, and leaves the line in step", "[ready]") {
  PolledLab lab;
  lab.busy = 1'000'000;
  const SteadyTime begin = lab.line->now;
  const auto never = lab.read();
  REQUIRE_FALSE(never.ok());
  CHECK(never.error().code == Errc::no_answer);
  for (const char* part : {"the scanner", "channel 7", "state?", "21 times", "state busy", "1000 ms"})
    CHECK_THAT(never.error().text(), Catch::Contains(part));
  // Asked at 0, 51, …, 969 ms and a last time when the second is over.
  CHECK(lab.sent("state?") == 21);
  CHECK(lab.asked_at.back() - lab.asked_at.front() == std::chrono::seconds(1));
  CHECK(lab.line->now - begin < std::chrono::milliseconds(1010));
  CHECK(lab.sent("take 7") == 1);
  CHECK(lab.sent("value?") == 0);
  CHECK(lab.sent("who") == 0);

  lab.busy = 1;
  lab.line->heard.clear();
  CHECK(ohms(lab.read()) == 1.5);
  CHECK(lab.line->heard == Heard{"take 7", "state?", "state?", "value?"});
}

TEST_CASE("anything odd while it is waited for begins the whole reading anew", "[ready]") {
  const std::vector<std::vector<Chunk>> bents = {
      {Chunk{one_ms, "st@te\n"}},                                                               // no such reply
      {Chunk{one_ms, "7 9.9\n"}},                                                               // a value, unasked
      {},                                                                                       // lost
      {Chunk{one_ms, "state re"}},                                                              // cut
      {Chunk{std::chrono::milliseconds(150), "state ready\n"}},                                 // late
      {Chunk{one_ms, "state busy\n"}, Chunk{std::chrono::milliseconds(20), "state ready\n"}}};  // more, in the pause
  for (const auto& bent : bents) {
    PolledLab lab;
    lab.busy = 3;
    lab.bend = nth("state?", 2, bent);
    INFO((bent.empty() ? std::string("nothing") : bent.front().bytes));
    const auto reading = lab.read();
    CHECK(ohms(reading) == 1.5);
    CHECK(reading->odd);
    CHECK(lab.sent("take 7") == 2);
    CHECK(lab.sent("value?") == 1);
    // In step again before it is begun again, and all questions of the second time behind that.
    const auto& heard = lab.line->heard;
    const auto again = std::find(heard.begin() + 1, heard.end(), "take 7");
    REQUIRE(again != heard.end());
    CHECK(*(again - 1) == "who");
    CHECK(Heard(again, heard.end()) == Heard{"take 7", "state?", "state?", "state?", "state?", "value?"});
  }
}

TEST_CASE("a start that was not acknowledged is never fetched, whatever the instrument says of being ready",
          "[ready]") {
  PolledLab lab;
  lab.bend = [](const std::string& message) -> std::optional<std::vector<Chunk>> {
    if (message.starts_with("take ")) return std::vector<Chunk>();  // not heard; ready with the reading before
    return std::nullopt;
  };
  CHECK(lab.read().error().code == Errc::no_answer);
  CHECK(lab.sent("state?") + lab.sent("value?") == 0);

  lab.line->heard.clear();
  lab.bend = [](const std::string& message) -> std::optional<std::vector<Chunk>> {
    if (message.starts_with("take ")) return in_a_moment("no: busy");
    return std::nullopt;
  };
  const auto refused = lab.read();
  REQUIRE_FALSE(refused.ok());
  CHECK(refused.error().code == Errc::refused);
  CHECK(lab.line->heard.back() == "take 7");
}

TEST_CASE("an instrument that refuses to say whether it is ready has refused the reading", "[ready]") {
  PolledLab lab;
  lab.bend = nth("state?", 1, in_a_moment("no: broken"));
  const auto reading = lab.read();
  REQUIRE_FALSE(reading.ok());
  CHECK(reading.error().code == Errc::refused);
  CHECK(lab.sent("value?") == 0);
}

TEST_CASE("a value of another channel is none, and the reading is begun anew", "[ready]") {
  PolledLab lab;
  lab.bend = nth("value?", 1, in_a_moment("8 9.9"));
  CHECK(ohms(lab.read()) == 1.5);
  CHECK(lab.sent("take 7") == 2);

  lab.line->heard.clear();
  lab.bend = [](const std::string& message) -> std::optional<std::vector<Chunk>> {
    if (message == "value?") return in_a_moment("8 9.9");
    return std::nullopt;
  };
  CHECK(lab.read().error().code == Errc::garbled);
  CHECK(lab.sent("take 7") == 3);
}

TEST_CASE("a port that goes away while it is waited for", "[ready]") {
  SECTION("and stays away") {
    PolledLab lab;
    lab.busy = 1'000'000;
    lab.line->unplug(std::chrono::milliseconds(300));
    CHECK(lab.read().error().code == Errc::port_gone);
    CHECK(lab.sent("value?") == 0);
    CHECK(lab.sent("take 7") == 1);
  }
  SECTION("and comes back: begun anew behind the identity") {
    PolledLab lab;
    lab.busy = 10;
    lab.line->unplug(std::chrono::milliseconds(300));
    lab.line->plug_in(std::chrono::milliseconds(700));
    CHECK(ohms(lab.read()) == 1.5);
    CHECK(lab.sent("take 7") == 2);
    const auto& heard = lab.line->heard;
    const auto again = std::find(heard.begin() + 1, heard.end(), "take 7");
    REQUIRE(again != heard.end());
    CHECK(*(again - 1) == "who");
  }
}

TEST_CASE("closing ends a wait at its pause", "[ready]") {
  PolledLab lab;
  lab.busy = 1'000'000;
  int pauses = 0;
  lab.line->paused = [&] {
    if (++pauses == 2) lab.scanner->close();
  };
  CHECK(lab.read().error().code == Errc::port_gone);
  CHECK(lab.sent("state?") == 2);
}

TEST_CASE("one of several words, or bits of a number, say that it is ready", "[ready]") {
  nlohmann::json dialect = polled_json();
  nlohmann::json& when = dialect["commands"]["read_resistance"]["when_ready"];
  when["is"] = {"state done", "state ready"};
  PolledLab words(dialect);
  words.busy = 1;
  CHECK(ohms(words.read()) == 1.5);
  CHECK(words.sent("state?") == 2);

  dialect["commands"]["state"] = {{"kind", "query"}, {"send", "state?"}, {"reply", "{bits}"}, {"value", "bits"}};
  when["is"] = 16;
  when["mask"] = 24;
  PolledLab bits(dialect);
  std::vector<std::string> answers = {"0", "8", "+24", "-1", "81"};  // 81: 64 + 16 + 1
  std::size_t next = 0;
  bits.bend = [&](const std::string& message) -> std::optional<std::vector<Chunk>> {
    if (message != "state?") return std::nullopt;
    return in_a_moment(answers[next++]);
  };
  CHECK(ohms(bits.read()) == 1.5);
  CHECK(next == answers.size());
}

TEST_CASE("a channel is chosen, then begun; a choice that begins by itself is enough", "[ready]") {
  nlohmann::json dialect = polled_json();
  nlohmann::json& commands = dialect["commands"];
  commands["choose_input"] = {{"kind", "safe_setting"}, {"send", "in {ch}"}, {"reply", "ok"}};
  commands["take"] = {{"kind", "safe_setting"}, {"send", "go"}, {"reply", "going"}};
  commands["read_resistance"]["choose"] = "choose_input";
  const auto bend = [](const std::string& message) -> std::optional<std::vector<Chunk>> {
    if (message == "in 7") return in_a_moment("ok");
    if (message == "go") return in_a_moment("going");
    if (message == "value?") return in_a_moment("7 1.5");
    return std::nullopt;
  };
  PolledLab both(dialect);
  both.bend = bend;
  CHECK(ohms(both.read()) == 1.5);
  CHECK(both.line->heard == Heard{"in 7", "go", "state?", "value?"});

  commands["read_resistance"].erase("begin");
  commands.erase("take");
  PolledLab one(dialect);
  one.bend = bend;
  CHECK(ohms(one.read()) == 1.5);
  CHECK(one.line->heard == Heard{"in 7", "state?", "value?"});
}

TEST_CASE("a start alone serves a question that the instrument answers when it is ready", "[ready]") {
  nlohmann::json dialect = polled_json();
  dialect["commands"]["read_resistance"].erase("when_ready");
  dialect["commands"]["read_resistance"]["within_s"] = 2;
  dialect["commands"].erase("state");
  PolledLab lab(dialect);
  lab.bend = nth("value?", 1, {Chunk{std::chrono::milliseconds(1900), "7 2.5\n"}});
  CHECK(ohms(lab.read()) == 2.5);
  CHECK(lab.line->heard == Heard{"take 7", "value?"});
}

}  // namespace nightwell::instrument::test
