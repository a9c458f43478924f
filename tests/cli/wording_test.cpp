#include "cli/wording.hpp"

#include <catch2/catch.hpp>
#include <limits>

using namespace nightwell::cli;

TEST_CASE("durations in two units at most") {
  CHECK(duration_text(0) == "0 s");
  CHECK(duration_text(-5) == "0 s");
  CHECK(duration_text(0.44) == "0.4 s");
  CHECK(duration_text(9.96) == "10 s");
  CHECK(duration_text(42.4) == "42 s");
  CHECK(duration_text(311) == "5 min 11 s");
  CHECK(duration_text(3599.6) == "1 h 0 min");
  CHECK(duration_text(5123.2) == "1 h 25 min");
  CHECK(duration_text(86399) == "1 d 0 h");
  CHECK(duration_text(2 * 86400 + 3 * 3600) == "2 d 3 h");
  CHECK(duration_text(std::numeric_limits<double>::quiet_NaN()) == "-");
}

TEST_CASE("numbers") {
  CHECK(fixed(15, 3) == "15.000");
  CHECK(fixed(-0.00001, 3) == "0.000");
  CHECK(fixed(-25.12345, 2) == "-25.12");
  CHECK(shortest(15.0) == "15");
  CHECK(shortest(-0.0) == "0");
  CHECK(shortest(-25.5) == "-25.5");
}

TEST_CASE("UTC labels lose their fraction, and what is no label stays visible") {
  CHECK(utc_text("2026-11-25T20:15:03.123456Z") == "2026-11-25 20:15:03Z");
  CHECK(utc_text("2026-11-25T20:15:03Z") == "2026-11-25 20:15:03Z");
  CHECK(utc_text("yesterday\x1b[2J") == "yesterday\\x1b[2J");
  CHECK(utc_text("") == "");
}

TEST_CASE("names of the format are words for people, and a path in a cause stays a path") {
  CHECK(words("not_settled") == "not settled");
  CHECK(words("lease_ran_out: bath") == "lease ran out: bath");
  CHECK(words("asking the identity of bath (/srv/lab_a/my_driver.py): no such file") ==
        "asking the identity of bath (/srv/lab_a/my_driver.py): no such file");
  CHECK(words("") == "");
}

TEST_CASE("width counts characters, and clip keeps them whole") {
  CHECK(width("15 °C") == 5);
  CHECK(clip("15 °C", 5) == "15 °C");
  CHECK(clip("15 °C on", 5) == "15 °…");
  CHECK(clip("abc", 1) == "…");
  CHECK(clip("abc", 0) == "");
  CHECK(padded("°", 3) == "°  ");
}

TEST_CASE("a table lines its columns up and leaves no trailing spaces") {
  CHECK(table({{"RUN", "STATE"}, {"a-long-run", ""}, {"b", "settle"}}) ==
        "RUN         STATE\na-long-run\nb           settle\n");
}
