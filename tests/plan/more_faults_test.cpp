// Mistakes whose harm comes later in the night, or elsewhere than where they were made.
#include <catch2/catch.hpp>

#include "plan/example.hpp"

using namespace nightwell;
using namespace nightwell::tests;
using nlohmann::json;

namespace {

void check_one(const Example& files, const std::string& pointer, const std::string& word) {
  const auto faults = faults_of(files);
  INFO(texts(faults));
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == pointer);
  CHECK_THAT(plan::text(faults[0]), Catch::Contains(word));
}

// The bath of the example under another name.
Example with_source_called(const std::string& name) {
  auto files = example();
  files.bench["sources"] = json::object({{name, files.bench["sources"]["bath"]}});
  return files;
}

}  // namespace

TEST_CASE("the name of an instrument cannot lead a file elsewhere") {
  CHECK_FALSE(plan_of(with_source_called("Bath_2.b-3")).sources.empty());
  check_one(with_source_called("../bath"), "/sources/..~1bath", "A-Z a-z 0-9");
  check_one(with_source_called(".bath"), "/sources/.bath", "no . first");
  check_one(with_source_called("the bath"), "/sources/the bath", "the name \"the bath\"");
  check_one(with_source_called(std::string(65, 'b')), "/sources/" + std::string(65, 'b'), "1 to 64");
  check_one(with_source_called("scanner-a"), "/sources/scanner-a", "a scanner has it");
}

TEST_CASE("addresses are those that a scanner has") {
  auto files = example();
  for (const int address : {0, -1, 10000}) {
    set(files.bench, "/channels/pt/address", address);
    check_one(files, "/channels/pt/address", "1 to 9999");
  }
  set(files.bench, "/channels/pt/address", 9999);
  CHECK(plan_of(files).channels.size() == 4);
}

TEST_CASE("a pause that the reference guard cannot wait for") {
  auto files = example();
  set(files.profile, "/plateaus/0/capture", {{"pause_s", 60}});
  check_one(files, "/plateaus/0/capture/pause_s", "guards/stale_s, 60 s");
  set(files.profile, "/plateaus/0/capture/pause_s", 59);
  CHECK(plan_of(files).plateaus.size() == 2);
  // One sweep has no pause before another, unless it lies inside a window, which has many.
  set(files.profile, "/plateaus/0/capture", {{"pause_s", 60}, {"sweeps", 1}});
  CHECK(plan_of(files).plateaus.size() == 2);
  set(files.profile, "/plateaus/0/capture/placement", "inside");
  check_one(files, "/plateaus/0/capture/pause_s", "parks the run");
}

TEST_CASE("pauses that fill the capture's limit") {
  auto files = example();
  set(files.profile, "/plateaus/0/capture", {{"pause_s", 50}, {"sweeps", 14}});
  check_one(files, "/plateaus/0/capture/sweeps", "limit of 600 s");
  set(files.profile, "/plateaus/0/capture/sweeps", 13);
  CHECK(plan_of(files).plateaus.size() == 2);
}
