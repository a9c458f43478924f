#include "nightwell/instrument/scpi.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>

namespace nightwell::instrument {

TEST_CASE("numbers in the forms of IEEE 488.2 are read") {
  struct Row {
    const char* text;
    double value;
  };
  for (const Row& row : {Row{"0", 0}, Row{"-0", 0}, Row{"12", 12}, Row{"+12", 12}, Row{"-12", -12}, Row{"1.", 1},
                         Row{".5", 0.5}, Row{"-.5", -0.5}, Row{"100.125", 100.125}, Row{"+1.0E+02", 100},
                         Row{"1e2", 100}, Row{"1E-3", 0.001}, Row{"1E30", 1e30}, Row{"-1E30", -1e30}}) {
    INFO(row.text);
    const Result<double> value = parse_scpi_number(row.text);
    REQUIRE(value.ok());
    CHECK(*value == row.value);
  }
}

TEST_CASE("what only looks like a number is refused (fault 30)") {
  for (const char* text : {"",     " ",       "+",        "-",     ".",       "E5",      "1E",
                           "1E+",  "1 ",      " 1",       "1,5",   "1,234.5", "1.234,5", "1.2.3",
                           "--1",  "+-1",     "0x10",     "1f",    "nan",     "inf",     "-inf",
                           "NaN",  "Inf",     "infinity", "OL",    "-----",   "1e400",   "1E-400",
                           "1e31", "-9.8E37", "12ohm",    "1_000", "١",       "1\r",     "SEEDBANK,SCAN,1,1"}) {
    INFO(text);
    const Result<double> value = parse_scpi_number(text);
    REQUIRE_FALSE(value.ok());
    CHECK(value.error().code == Errc::garbled);
  }
  const std::string with_nul("1\0", 2);
  CHECK_FALSE(parse_scpi_number(with_nul).ok());
}

TEST_CASE("the standard's numbers for no number are conditions (fault 29)") {
  for (const char* text : {"9.9E37", "+9.90000000E+37", "-9.9E37", "9.8999998E+37", "9.99E37", "1E38", "1E300", "INF",
                           "NINF", "INFINITY", "NINFINITY"}) {
    INFO(text);
    const Result<double> value = parse_scpi_number(text);
    REQUIRE_FALSE(value.ok());
    CHECK(value.error().code == Errc::overload);
  }
  for (const char* text : {"9.91E37", "+9.91000000E+37", "9.9099999E+37", "NAN"}) {
    INFO(text);
    const Result<double> value = parse_scpi_number(text);
    REQUIRE_FALSE(value.ok());
    CHECK(value.error().code == Errc::open_sensor);
  }
}

TEST_CASE("random bytes never give a number that is not finite or too large") {
  std::mt19937 random(20261125);  // NOLINT: a fixed seed on purpose
  const std::string alphabet = "0123456789+-.eEINFA,\" \x00\xff";
  for (int i = 0; i < 50'000; ++i) {
    std::string text(random() % 12, ' ');
    for (char& c : text) c = alphabet[random() % alphabet.size()];
    if (const Result<double> value = parse_scpi_number(text); value.ok()) {
      REQUIRE(std::isfinite(*value));
      REQUIRE(std::abs(*value) <= 1e30);
    }
    (void)parse_scpi_error(text).ok();
    (void)parse_scpi_identity(text).ok();
  }
}

TEST_CASE("error-queue entries are read whole") {
  const Result<QueueEntry> none = parse_scpi_error("0,\"No error\"");
  REQUIRE(none.ok());
  CHECK(none->number == 0);
  const Result<QueueEntry> signed_none = parse_scpi_error("+0,\"No error\"");
  REQUIRE(signed_none.ok());
  CHECK(signed_none->number == 0);
  const Result<QueueEntry> entry = parse_scpi_error("-222,\"Data \"\"out\"\" of range;SPOint 500\"");
  REQUIRE(entry.ok());
  CHECK(entry->number == -222);
  CHECK(entry->text == "Data \"out\" of range;SPOint 500");
  for (const char* text : {"", "0", "0,", "0,No error", "0,\"No error", ",\"No error\"", "1.5,\"x\"", "0,\"a\"b\"",
                           "0,\"", "+-1,\"x\"", "100.5", "0 ,\"x\"", "0,\"x\" "}) {
    INFO(text);
    CHECK_FALSE(parse_scpi_error(text).ok());
  }
}

TEST_CASE("an identity is never a number, a state or an error-queue entry") {
  CHECK(parse_scpi_identity("SEEDBANK,SCAN-A,S01,1.0").ok());
  for (const char* text : {"", "1", "100.5", "0,\"No error\"", "no comma", "A,B\x1b[2J,C", "\xff,\xff,a,b"}) {
    INFO(text);
    CHECK_FALSE(parse_scpi_identity(text).ok());
  }
  CHECK_FALSE(parse_scpi_identity(std::string(300, ',')).ok());
}

TEST_CASE("targets are written as plain decimal numbers that read back the same") {
  for (const double t_c : {0.0, -25.0, 120.5, 0.1, -38.8344, 1e-9, 1084.62, 1.0 / 3.0}) {
    const Result<std::string> text = format_scpi_temperature(t_c);
    REQUIRE(text.ok());
    CHECK(text->find_first_not_of("-0123456789.") == std::string::npos);
    const Result<double> back = parse_scpi_number(*text);
    REQUIRE(back.ok());
    CHECK(*back == t_c);
  }
  CHECK(*format_scpi_temperature(-25) == "-25");
  for (const double t_c : {std::numeric_limits<double>::quiet_NaN(), std::numeric_limits<double>::infinity(), 1e5}) {
    REQUIRE_FALSE(format_scpi_temperature(t_c).ok());
    CHECK(format_scpi_temperature(t_c).error().code == Errc::bad_input);
  }
  CHECK_NOTHROW(format_scpi_temperature(5e-324).ok());
}

TEST_CASE("bytes from outside are made printable") {
  CHECK(printable("plain 1.5") == "plain 1.5");
  CHECK(printable("\x1b]52;c;x\x07") == "\\x1b]52;c;x\\x07");
  CHECK(printable("a\\b\xb0") == "a\\\\b\\xb0");
  CHECK(printable(std::string(200, 'a'), 3) == "aaa… (200 bytes)");
}

}  // namespace nightwell::instrument
