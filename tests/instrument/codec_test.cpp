// The drivers as what they are: functions from commands to bytes and back.
#include <catch2/catch.hpp>

#include "drivers/registry.hpp"
#include "drivers/scpi_scanner.hpp"
#include "drivers/scpi_source.hpp"

namespace nightwell::instrument {

namespace {

ReadChannel read_of(int address, Quantity measures) {
  return ReadChannel{ChannelSetup{address, measures}};
}

}  // namespace

TEST_CASE("the SCPI scanner asks each quantity with its own query") {
  const drivers::ScpiScanner codec;
  struct Row {
    Quantity measures;
    const char* bytes;
  };
  for (const Row& row : {Row{Quantity::voltage, "MEASure:VOLTage:DC? (@101)\n"},
                         Row{Quantity::resistance, "MEASure:FRESistance? (@101)\n"},
                         Row{Quantity::current, "MEASure:CURRent:DC? (@101)\n"},
                         Row{Quantity::temperature, "MEASure:TEMPerature? (@101)\n"}}) {
    const Result<Message> message = codec.encode(read_of(101, row.measures));
    REQUIRE(message.ok());
    CHECK(message->bytes == row.bytes);
    CHECK(message->answered);
    CHECK(message->repeatable);
  }
  for (const int address : {-1, 0, 10'000})
    CHECK(codec.encode(read_of(address, Quantity::voltage)).error().code == Errc::bad_input);
}

TEST_CASE("the SCPI source's settings are never repeatable and carry one number at most") {
  const drivers::ScpiSource codec;
  const Result<Message> target = codec.encode(SetTarget{-38.8344});
  REQUIRE(target.ok());
  CHECK(target->bytes == "SOURce:TEMPerature:SPOint -38.8344\n");
  CHECK_FALSE(target->answered);
  CHECK_FALSE(target->repeatable);
  CHECK(codec.encode(SetOutput{true})->bytes == "OUTPut:STATe ON\n");
  CHECK(codec.encode(SetOutput{false})->bytes == "OUTPut:STATe OFF\n");
  CHECK(codec.encode(AskOutput())->repeatable);
}

TEST_CASE("no kind of answer passes for another, except numbers for numbers") {
  const drivers::ScpiSource codec;
  const char* identity = "SEEDBANK,BATH-A,B01,1.0";
  const char* entry = "0,\"No error\"";
  CHECK(codec.decode(identity, AskIdentity()).ok());
  CHECK_FALSE(codec.decode(entry, AskIdentity()).ok());
  CHECK_FALSE(codec.decode("1", AskIdentity()).ok());
  CHECK(codec.decode(entry, AskError()).ok());
  CHECK_FALSE(codec.decode(identity, AskError()).ok());
  CHECK_FALSE(codec.decode("20.5", AskError()).ok());
  CHECK(codec.decode("1", AskOutput()).ok());
  CHECK_FALSE(codec.decode("20.5", AskOutput()).ok());
  CHECK_FALSE(codec.decode(identity, AskOutput()).ok());
  CHECK(codec.decode("20.5", AskTemperature()).ok());
  CHECK_FALSE(codec.decode(identity, AskTemperature()).ok());
  CHECK_FALSE(codec.decode(entry, AskTarget()).ok());
}

TEST_CASE("below absolute zero there is no temperature, but there are volts") {
  const drivers::ScpiScanner codec;
  CHECK(codec.decode("-273.16", read_of(101, Quantity::temperature)).error().code == Errc::out_of_range);
  CHECK(codec.decode("-273.15", read_of(101, Quantity::temperature)).ok());
  CHECK(codec.decode("-300", read_of(101, Quantity::voltage)).ok());
}

TEST_CASE("the registry names both drivers") {
  const Registry registry = drivers::registry();
  CHECK(registry.scanners.count("scpi-scanner") == 1);
  CHECK(registry.sources.count("scpi-source") == 1);
}

}  // namespace nightwell::instrument
