#include "plan/nearest.hpp"

#include <catch2/catch.hpp>

#include "plan/dates.hpp"

using namespace nightwell::plan;

TEST_CASE("edit distance counts insertions, deletions, replacements and swaps") {
  CHECK(edit_distance("", "") == 0);
  CHECK(edit_distance("abc", "") == 3);
  CHECK(edit_distance("kitten", "sitting") == 3);
  CHECK(edit_distance("band", "band_k") == 2);
  CHECK(edit_distance("swpa", "swap") == 1);
  CHECK(edit_distance("ca", "abc") == 3);  // optimal string alignment: no place is edited twice
  CHECK(edit_distance(std::string(1000, 'a'), std::string(2000, 'a')) == 0);  // judged by their first 64 bytes
}

TEST_CASE("the nearest word is offered only if it may be meant") {
  const std::vector<std::string> keys = {"setpoint_c", "source", "band_k", "settle"};
  CHECK(nearest("setpoint", keys) == "setpoint_c");
  CHECK(nearest("sorce", keys) == "source");
  CHECK(nearest("bandk", keys) == "band_k");
  CHECK_FALSE(nearest("colour", keys));
  CHECK_FALSE(nearest("x", {}));
  CHECK(meant("setle", keys) == "did you mean \"settle\"?");
  CHECK(meant("qqqqqq", keys).empty());
}

TEST_CASE("dates are days of the calendar in one spelling") {
  for (const char* good : {"2026-11-25", "2024-02-29", "2000-02-29", "0001-01-01"}) CHECK(is_date(good));
  for (const char* bad : {"", "2026-11-31", "2023-02-29", "1900-02-29", "2026-13-01", "2026-00-10", "2026-1-1",
                          "26-01-01", "2026/01/01", "2026-01-01T", " 2026-01-1", "２０２６-01-01", "2026-01-0a"})
    CHECK_FALSE(is_date(bad));
}
