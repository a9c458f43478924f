// The inputs that the fuzzers found of files and drivers' lines.
#include <catch2/catch.hpp>

#include "fuzz/dialect_property.hpp"
#include "fuzz/driver_property.hpp"
#include "fuzz/plan_property.hpp"
#include "fuzz/repeatable.hpp"

using namespace nightwell::tests;

TEST_CASE("what the fuzzers found of dialects, plan files and drivers' lines stays right") {
  check_corpus("dialect", complaint_about_dialect_input);
  check_corpus("plan", complaint_about_plan_input);
  check_corpus("driver", complaint_about_driver_bytes);
}
