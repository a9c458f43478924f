// The mirror speaks what the dialect says, and no more.
#include <catch2/catch.hpp>
#include <fstream>
#include <iterator>

#include "conformance/check.hpp"
#include "conformance/line_mirror.hpp"
#include "dialect/read_dialect.hpp"
#include "plain_bath.hpp"

namespace {

using namespace nightwell;
using conformance::LineMirror;

LineMirror mirror_of(const std::string& text) {
  return LineMirror(dialect::dialect_from(nlohmann::json::parse(text).dump(-1, ' ', true)).value());
}
std::string dialect_file(const std::string& name) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/" + name);
  return {std::istreambuf_iterator<char>(file), {}};
}

TEST_CASE("A mirror keeps targets and outputs, and answers in the dialect's words", "[mirror]") {
  auto mirror = mirror_of(conformance::test::plain_bath);
  CHECK(mirror.hear("VER\r") == "BATH mirror\r");
  CHECK(mirror.hear("PV\r") == "23.00\r");
  CHECK(mirror.hear("SP\r") == "30.00\r");
  CHECK(mirror.hear("SP=25.50\r") == "OK\r");
  CHECK(mirror.hear("SP\r") == "25.50\r");
  CHECK(mirror.hear("HEAT\r") == "OFF\r");
  CHECK(mirror.hear("HEAT=1\r") == "OK\r");
  CHECK(mirror.hear("HEAT\r") == "ON\r");
  CHECK(mirror.hear("HEAT=0\rHEAT\r") == "OK\rOFF\r");
}

TEST_CASE("A mirror reads the channel that was chosen", "[mirror]") {
  auto mirror = mirror_of(R"({
    "format": "nightwell-dialect/1", "dialect": "two-step", "revision": 1, "for": "scanner",
    "line": {"command_end": "LF", "reply_end": "LF"},
    "fields": {"who": {"type": "text"}, "x": {"type": "number", "unit": "ohm"},
               "ch": {"type": "channel", "lowest": 101, "highest": 110, "digits": 3}},
    "commands": {"identity": {"kind": "query", "send": "WHO", "reply": "SCANNER {who}"},
                 "choose": {"kind": "safe_setting", "send": "CH {ch}", "reply": "CH {ch} OK"},
                 "read_resistance": {"kind": "query", "send": "RD", "reply": "R {x}", "value": "x", "choose": "choose"}}})");
  CHECK(mirror.hear("CH 101\n") == "CH 101 OK\n");
  const std::string one = mirror.hear("RD\n");
  CHECK(mirror.hear("CH 102\n") == "CH 102 OK\n");
  const std::string other = mirror.hear("RD\n");
  CHECK(one.starts_with("R "));
  CHECK(other.starts_with("R "));
  CHECK(one != other);
}

TEST_CASE("A mirror is ready at the third question, and refuses what is fetched before", "[mirror]") {
  auto mirror = mirror_of(dialect_file("polled-scanner.json"));
  CHECK(mirror.hear("take ohm 101\n") == "taking 101\n");
  CHECK(mirror.hear("value?\n").starts_with("no: "));
  CHECK(mirror.hear("state?\n") == "state 0\n");
  CHECK(mirror.hear("state?\n") == "state 0\n");
  CHECK(mirror.hear("state?\n") == "state 1\n");
  const std::string one = mirror.hear("value?\n");
  CHECK_THAT(one, Catch::StartsWith("101 ") && Catch::EndsWith(" ohm\n"));  // what was begun, of four questions alike
  CHECK(mirror.hear("take volt 102\nstate?\nstate?\nstate?\n") == "taking 102\nstate 0\nstate 0\nstate 1\n");
  CHECK_THAT(mirror.hear("value?\n"), Catch::StartsWith("102 ") && Catch::EndsWith(" V\n"));
}

TEST_CASE("A mirror says the dialect's words for ready, and not yet where it has others", "[mirror]") {
  auto json = nlohmann::json::parse(R"({
    "format": "nightwell-dialect/1", "dialect": "worded", "revision": 1, "for": "scanner",
    "line": {"command_end": "LF", "reply_end": "LF"},
    "fields": {"who": {"type": "text"}, "x": {"type": "number", "unit": "ohm"}, "word": {"type": "word"},
               "ch": {"type": "channel", "lowest": 1, "highest": 9}},
    "refused": ["no"],
    "commands": {"identity": {"kind": "query", "send": "WHO", "reply": "SCANNER {who}"},
                 "go": {"kind": "safe_setting", "send": "GO {ch}", "reply": "OK"},
                 "state": {"kind": "query", "send": "ST", "reply": "IT IS {word}"},
                 "read_resistance": {"kind": "query", "send": "RD", "reply": "R {x}", "value": "x", "begin": "go",
                   "when_ready": {"query": "state", "is": ["IT IS DONE", "IT IS READY"], "every_ms": 10, "within_s": 1}}}})");
  auto mirror = mirror_of(json.dump());
  CHECK(mirror.hear("GO 7\nST\nST\nST\n") == "OK\nIT IS mirror\nIT IS mirror\nIT IS DONE\n");
  CHECK(mirror.hear("RD\n").starts_with("R "));
  // A question with one answer alone: it comes when the reading is ready, as that to *OPC? does.
  json["commands"]["state"]["reply"] = "1";
  json["commands"]["read_resistance"]["when_ready"]["is"] = "1";
  auto waiting = mirror_of(json.dump());
  CHECK(waiting.hear("GO 7\nST\n") == "OK\n1\n");
  CHECK(waiting.hear("RD\n").starts_with("R "));
}

TEST_CASE("A call of a dialect may take what the dialect itself states", "[mirror]") {
  instrument::ConnectionSettings settings;
  settings.driver = instrument::dialect_driver;
  settings.reply = std::chrono::milliseconds(200);
  settings.dialect = dialect_file("chatty-scanner.json");
  CHECK(conformance::bound_for(settings) == std::chrono::milliseconds(3'200));
  settings.dialect = dialect_file("polled-scanner.json");  // three waits of 10 s
  CHECK(conformance::bound_for(settings) == std::chrono::milliseconds(33'200));
  auto slow = nlohmann::json::parse(dialect_file("chatty-scanner.json"));
  slow["commands"]["read_voltage"]["within_s"] = 5;
  settings.dialect = slow.dump();
  CHECK(conformance::bound_for(settings) == std::chrono::seconds(32));
}

TEST_CASE("A mirror refuses what it does not understand, and once what it is told to", "[mirror]") {
  auto mirror = mirror_of(conformance::test::plain_bath);
  CHECK(mirror.hear("SP=hot\r") == "ERR 0\r");
  mirror.refuse_next();
  CHECK(mirror.hear("VER\r") == "BATH mirror\r");  // never the identity: it is the way back into step
  CHECK(mirror.hear("SP=40.00\r") == "ERR 0\r");
  CHECK(mirror.hear("SP\r") == "30.00\r");
}

TEST_CASE("A mirror has the dialect's checksum, steps, echo and prompt", "[mirror]") {
  auto bath = mirror_of(dialect_file("terse-bath.json"));
  // XOR of "T?" is 0x54 ^ 0x3F = 0x6B; of "T+023.00" worked out by hand: 0x54^2B^30^32^33^2E^30^30 = 0x60.
  CHECK(bath.hear("T?*6B\r") == "T+023.00*60\r");
  CHECK(bath.hear("T?*6C\r").front() == 'N');
  CHECK(bath.hear("R?*6D\r") == "R0*62\r");
  CHECK(bath.hear("R1*63\r") == "A*41\r");
  CHECK(bath.hear("R?*6D\r") == "R1*63\r");
  auto scanner = mirror_of(dialect_file("chatty-scanner.json"));
  CHECK(scanner.hear("who\r\n") == "who\r\nI am mirror\r\n> ");
  const std::string one = scanner.hear("read ohm 101\r\n"), other = scanner.hear("read ohm 102\r\n");
  CHECK_THAT(one, Catch::StartsWith("read ohm 101\r\n101: ") && Catch::EndsWith("Ohm\r\n> ") && Catch::Contains(","));
  CHECK(one.substr(19) != other.substr(19));
}

}  // namespace
