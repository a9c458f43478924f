// The shipped dialects as functions from commands to bytes and back.
#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "dialect/codec.hpp"
#include "dialect/wire_in_memory.hpp"

using namespace nightwell;
using namespace nightwell::instrument;
using nightwell::instrument::test::dialect_of;

namespace {

std::shared_ptr<const dialect::Dialect> shipped(const std::string& name) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/" + name + ".json");
  std::ostringstream text;
  text << file.rdbuf();
  return dialect_of(text.str());
}

std::string terse(const std::string& body) {
  unsigned sum = 0;
  for (const char c : body) sum ^= static_cast<unsigned char>(c);
  constexpr std::string_view hex = "0123456789ABCDEF";
  return body + "*" + hex[sum >> 4U] + hex[sum & 0xFU];
}

ReadChannel reading_of(int address, Quantity measures) {
  return ReadChannel{ChannelSetup{address, measures}};
}

}  // namespace

TEST_CASE("the terse bath is spoken to as its table says", "[dialect]") {
  const dialect::DialectSource codec(shipped("terse-bath"));
  const auto bytes = [&](const HeatSourceCommand& command) { return codec.encode(command).value().bytes; };
  CHECK(bytes(SetTarget{-38.8344}) == terse("S-038.83") + "\r");
  CHECK(bytes(AskTemperature()) == terse("T?") + "\r");
  CHECK(bytes(SetOutput{false}) == terse("H0") + "\r");
  CHECK_FALSE(codec.line().error_queue);

  CHECK(std::get<double>(codec.decode(terse("T+0020.50"), AskTemperature()).value()) == 20.5);
  CHECK(std::get<bool>(codec.decode(terse("H1"), AskOutput()).value()));
  CHECK(codec.decode(terse("A"), SetTarget{20}).ok());
  CHECK(codec.decode(terse("N3"), SetTarget{20}).error().code == Errc::refused);
  CHECK(codec.decode("T+0020.50", AskTemperature()).error().code == Errc::garbled);
  CHECK(codec.decode(terse("S+0020.50"), AskTemperature()).error().code == Errc::garbled);
  CHECK(codec.decode(terse("T-300.00"), AskTemperature()).error().code == Errc::out_of_range);
}

TEST_CASE("heat settings are never repeated, and nothing but a number of ours gets into one (S14, S15)", "[dialect]") {
  const dialect::DialectSource codec(shipped("terse-bath"));
  for (const HeatSourceCommand& command :
       std::vector<HeatSourceCommand>{SetTarget{20}, SetOutput{true}, SetOutput{false}}) {
    const auto message = codec.encode(command);
    REQUIRE(message.ok());
    CHECK(message->answered);
    CHECK_FALSE(message->repeatable);
  }
  for (const double t_c :
       {std::numeric_limits<double>::quiet_NaN(), std::numeric_limits<double>::infinity(), 1e6, 150.01, -45.01})
    CHECK(codec.encode(SetTarget{t_c}).error().code == Errc::bad_input);
}

TEST_CASE("a target is proved by the one that was really sent, rounding and all", "[dialect]") {
  const dialect::DialectSource codec(shipped("terse-bath"));
  const auto proof = codec.proof(SetTarget{-38.8344});
  REQUIRE(proof.has_value());
  CHECK(std::holds_alternative<AskTarget>(proof->question));
  CHECK(std::get<double>(proof->expected) == -38.83);
  CHECK(proof->tolerance < 0.01);
  CHECK_FALSE(codec.proof(SetOutput{true}).has_value());
}

TEST_CASE("the bath's start-up and park steps are proved by their read-backs", "[dialect]") {
  const dialect::DialectSource codec(shipped("terse-bath"));
  REQUIRE(codec.steps(Steps::park) == 1);
  const HeatSourceCommand step = RunStep{Steps::park, 0};
  CHECK(codec.encode(step)->bytes == terse("P1") + "\r");
  const auto proof = codec.proof(step);
  REQUIRE(proof.has_value());
  CHECK(codec.encode(proof->question)->bytes == terse("P?") + "\r");
  CHECK(codec.decode(terse("P1"), proof->question).ok());
  CHECK(codec.decode(terse("P0"), proof->question).error().code == Errc::mismatch);
  CHECK(codec.steps(Steps::start_up) == 1);
}

TEST_CASE("the chatty scanner's units become volt, ohm and ampere; one that nobody declared is garbled", "[dialect]") {
  const dialect::DialectScanner codec(shipped("chatty-scanner"));
  const auto value = [&](std::string_view reply, Quantity measures) {
    return codec.decode(reply, reading_of(103, measures));
  };
  CHECK(codec.encode(reading_of(103, Quantity::voltage))->bytes == "read volt 103\r\n");
  CHECK(std::get<double>(*value("103: 1,234567 mV", Quantity::voltage)) == Approx(1.234567e-3).epsilon(1e-14));
  CHECK(std::get<double>(*value("103:   107,7935 Ohm", Quantity::resistance)) == 107.7935);
  CHECK(std::get<double>(*value("103: 0,1077935 kOhm", Quantity::resistance)) == Approx(107.7935).epsilon(1e-14));
  CHECK(std::get<double>(*value("103: 68,0 F", Quantity::temperature)) == Approx(20).margin(1e-12));
  CHECK(std::get<double>(*value("103: 293,15 K", Quantity::temperature)) == Approx(20).margin(1e-12));
  CHECK(value("103: OPEN Ohm", Quantity::resistance).error().code == Errc::open_sensor);
  CHECK(value("103: OVER Ohm", Quantity::resistance).error().code == Errc::overload);
  CHECK(value("? there is no such channel", Quantity::resistance).error().code == Errc::refused);
  for (const char* reply : {"103: 107,7935 MOhm", "103: 107.7935 Ohm", "103: 107,7935", "104: 107,7935 Ohm",
                            "107,7935 Ohm", "103: 1.107,79 Ohm", "103: 107,7935 mV"})
    CHECK(value(reply, Quantity::resistance).error().code == Errc::garbled);
  CHECK(codec.encode(reading_of(161, Quantity::voltage)).error().code == Errc::bad_input);
  CHECK(codec.encode(ConfigureChannel{{103, Quantity::resistance}})->bytes == "wires 4 103\r\n");
  CHECK(codec.encode(ConfigureChannel{{103, Quantity::voltage}})->bytes.empty());
}

TEST_CASE("an identity that could be another answer proves nothing and is no identity", "[dialect]") {
  const dialect::DialectSource codec(shipped("terse-bath"));
  CHECK(codec.decode(terse("I SEEDBANK"), AskIdentity()).ok());
  const auto ambiguous = dialect_of(R"({
    "format": "nightwell-dialect/1", "dialect": "d", "revision": 1, "for": "scanner",
    "line": {"command_end": "LF", "reply_end": "LF"},
    "fields": {"n": {"type": "number", "unit": "ohm"}, "who": {"type": "text"}},
    "commands": {"identity": {"kind": "query", "send": "who", "reply": "{who}"},
                 "read_resistance": {"kind": "query", "send": "r", "reply": "{n}", "value": "n"}}})");
  const dialect::DialectScanner scanner(ambiguous);
  CHECK(scanner.decode("SEEDBANK 7", AskIdentity()).ok());
  CHECK(scanner.decode("20.5", AskIdentity()).error().code == Errc::garbled);
}

TEST_CASE("an error register is read as one entry, masked, and nothing where no bit is set", "[dialect]") {
  const auto described = dialect_of(R"({
    "format": "nightwell-dialect/1", "dialect": "d", "revision": 1, "for": "scanner",
    "line": {"command_end": "LF", "reply_end": "LF"},
    "fields": {"n": {"type": "number", "unit": "ohm"}, "bits": {"type": "integer"}, "who": {"type": "text"}},
    "commands": {"identity": {"kind": "query", "send": "*IDN?", "reply": "I am {who}"},
                 "error": {"kind": "query", "send": "*ESR?", "reply": "{bits}", "value": "bits", "mask": 60},
                 "read_resistance": {"kind": "query", "send": "r", "reply": "R{n}", "value": "n"}}})");
  const dialect::DialectScanner codec(described);
  CHECK(codec.line().error_queue);
  CHECK(std::get<QueueEntry>(*codec.decode("129", AskError())).number == 0);
  CHECK(std::get<QueueEntry>(*codec.decode("160", AskError())).number == 32);
  CHECK(codec.decode("R1", AskError()).error().code == Errc::garbled);
}
