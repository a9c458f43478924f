// The mirror of a register map shows what the map names, and no more. Asked in the frames of libmodbus, which share no code with
// its server.
#include "conformance/register_mirror.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <iterator>

#include "dialect/read_dialect.hpp"
#include "modbus/frame.hpp"

namespace {

using namespace nightwell;
using conformance::RegisterMirror;
using dialect::RegisterAddress;
using dialect::Table;
using modbus::ReadRequest;
using modbus::WriteRequest;

nlohmann::json furnace_map() {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/register-furnace.json");
  return nlohmann::json::parse(file);
}
std::shared_ptr<const dialect::Dialect> map_of(const nlohmann::json& json) {
  return dialect::dialect_from(json.dump(-1, ' ', true)).value();
}

struct Asked {
  explicit Asked(const nlohmann::json& json) : dialect(map_of(json)), mirror(dialect) {}

  Result<std::vector<std::uint16_t>> ask(const modbus::Request& request) {
    const modbus::Peer peer{dialect->registers->framing, dialect->registers->unit};
    const auto frame = modbus::request_frame(peer, 7, request);
    return modbus::reply_values(peer, 7, request, mirror.hear(*frame));
  }
  std::vector<std::uint16_t> read(Table table, int address, int count = 1) {
    const auto values = ask(ReadRequest{RegisterAddress{table, address}, count});
    INFO((values ? "" : values.error().text()));
    REQUIRE(values);
    return *values;
  }
  bool write(Table table, int address, std::vector<std::uint16_t> values,
             dialect::WriteFunction function = dialect::WriteFunction::single) {
    return ask(WriteRequest{RegisterAddress{table, address}, std::move(values), function}).ok();
  }

  std::shared_ptr<const dialect::Dialect> dialect;
  RegisterMirror mirror;
};

using Words = std::vector<std::uint16_t>;

TEST_CASE("A mirror of registers comes up off, with the identity that the map demands", "[mirror]") {
  Asked asked(furnace_map());
  CHECK(asked.read(Table::input, 0, 3) == Words{20055, 101, 102});
  CHECK(asked.read(Table::input, 8, 2) == Words{0x0000, 0x41B8});  // 23 as IEEE 754 binary32, low word first
  CHECK(asked.read(Table::holding, 16) == Words{300});
  CHECK(asked.read(Table::input, 12) == Words{0});  // off, and the park step not yet proved
  CHECK(asked.read(Table::coil, 0) == Words{0});
  CHECK(asked.read(Table::holding, 20) == Words{0});  // nor the start-up
}

TEST_CASE("What is written to a mirror reads back where the map says", "[mirror]") {
  Asked asked(furnace_map());
  CHECK(asked.write(Table::holding, 16, {0xFF06}));
  CHECK(asked.read(Table::holding, 16) == Words{0xFF06});
  CHECK(asked.write(Table::coil, 0, {1}));
  CHECK(asked.read(Table::input, 12) == Words{1});
  CHECK(asked.write(Table::holding, 21, {1}));  // the park step shows in a bit beside that of the output
  CHECK(asked.read(Table::input, 12) == Words{5});
  CHECK(asked.write(Table::coil, 0, {0}));
  CHECK(asked.read(Table::input, 12) == Words{4});
}

TEST_CASE("A target that is read elsewhere, in another type, follows the one that is written", "[mirror]") {
  auto json = furnace_map();
  json["modbus"]["target"] = {{"table", "input"},           {"address", 40},       {"type", "int32"}, {"factor", 0.01},
                              {"word_order", "high_first"}, {"unit", "fahrenheit"}};
  json["modbus"]["set_target"] = {
      {"address", 50}, {"type", "float32"}, {"word_order", "low_first"}, {"unit", "celsius"}};
  Asked asked(json);
  CHECK(asked.read(Table::input, 40, 2) == Words{0, 8600});                                    // 30 °C is 86 °F
  CHECK(asked.write(Table::holding, 50, {0x0000, 0x42C8}, dialect::WriteFunction::multiple));  // 100 °C
  CHECK(asked.read(Table::input, 40, 2) == Words{0, 21200});
  CHECK_FALSE(asked.write(Table::holding, 16, {1}));  // the register that was the setpoint is none any more
}

TEST_CASE("A mirror refuses on request, whatever is asked next but the identity", "[mirror]") {
  for (const char* framing : {"rtu", "tcp"}) {
    auto json = furnace_map();
    json["modbus"]["framing"] = framing;
    Asked asked(json);
    asked.mirror.refuse_next();
    CHECK(asked.read(Table::input, 0, 3).size() == 3);
    CHECK(asked.ask(WriteRequest{RegisterAddress{Table::holding, 16}, {1}, {}}).error().code == Errc::refused);
    CHECK(asked.read(Table::holding, 16) == Words{300});
    CHECK(asked.ask(ReadRequest{RegisterAddress{Table::holding, 17}, 1}).error().text().find("exception 2") !=
          std::string::npos);
  }
}

TEST_CASE("A mirror finds its frames in pieces and behind noise, and hears no other unit", "[mirror]") {
  Asked asked(furnace_map());
  const modbus::Peer peer{dialect::Framing::rtu, 17}, other{dialect::Framing::rtu, 18};
  const ReadRequest target{RegisterAddress{Table::holding, 16}, 1};
  const std::string frame = *modbus::request_frame(peer, 0, target);
  const std::string reply = asked.mirror.hear(frame);
  CHECK(asked.mirror.hear(frame.substr(0, 3)).empty());
  CHECK(asked.mirror.hear(frame.substr(3)) == reply);
  CHECK(asked.mirror.hear("\x11\x7F noise" + frame) == reply);
  CHECK(asked.mirror.hear(*modbus::request_frame(other, 0, target) + frame) == reply);
}

TEST_CASE("A mirror shows a text as its identity, and echoes where the line does", "[mirror]") {
  auto json = furnace_map();
  json["modbus"]["identity"] = {{"table", "holding"}, {"address", 100}, {"show", "text"}, {"registers", 4}};
  Asked asked(json);
  CHECK(asked.read(Table::holding, 100, 4) == Words{0x4D49, 0x5252, 0x4F52, 0x2020});
  json["modbus"]["echo"] = true;
  Asked echoing(json);
  const std::string frame = *modbus::request_frame(modbus::Peer{dialect::Framing::rtu, 17}, 0,
                                                   ReadRequest{RegisterAddress{Table::holding, 16}, 1});
  CHECK(echoing.mirror.hear(frame).starts_with(frame));
}

}  // namespace
