// Whole runs by themselves: the same run twice is the same file, a look before the night finds what is wrong, and a probe that
// breaks in the night does not end it.
#include "support/simulated_run.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <sstream>

#include "results/results.hpp"
#include "support/every_bit.hpp"
#include "support/plans.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using namespace std::chrono_literals;

namespace {

std::string whole_file(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

// Indicated temperatures; item 2 reads 3 K too high, item 3 breaks after `breaks`.
tests::SimulatedBench three_items(Instant breaks) {
  tests::SimulatedBench out;
  out.time_constant_s = 20;
  out.read = [breaks](std::size_t channel, Instant at, double source_c) -> std::optional<double> {
    if (channel == 3 && at > breaks) return std::nullopt;
    return source_c + (channel == 2 ? 3.0 : 0.0) + 1e-4 * static_cast<double>(channel);
  };
  return out;
}

const Instant at_once{Duration{-1}};
const Instant in_the_night{100s};

std::vector<journal::Record> all_records(const std::filesystem::path& path) {
  std::vector<journal::Record> out;
  REQUIRE(journal::read(path, [&](const journal::Record& record) { out.push_back(record); }));
  return out;
}

}  // namespace

TEST_CASE("the same plan and the same readings give the same bytes") {
  const tests::TemporaryFolder folder;
  const auto plan = tests::bath_plan({40, 80}, 3);
  const auto bench = three_items(in_the_night);
  REQUIRE(tests::simulate(plan, bench, folder / "one"));
  REQUIRE(tests::simulate(plan, bench, folder / "two"));
  const std::string one = whole_file(folder / "one");
  CHECK(one.size() > 10'000);
  CHECK(one == whole_file(folder / "two"));
}

TEST_CASE("a survey names the probe that is open and the one that reads 3 K too high") {
  const tests::TemporaryFolder folder;
  auto plan = tests::bath_plan({}, 3);
  plan.sources.clear();
  plan.survey = sequence::Survey{2s, 6s, 21, 2};
  REQUIRE(tests::simulate(plan, three_items(at_once), folder / "survey"));
  const auto results = results::compute(folder / "survey");
  REQUIRE(results);
  REQUIRE(results->findings.size() == 2);
  CHECK(results->findings[0].channel == "i2");
  CHECK(results->findings[0].finding == "outlier");
  CHECK(results->findings[1].channel == "i3");
  CHECK(results->findings[1].finding == "open");
}

TEST_CASE("a probe that breaks in the night is left out, and the others' results stand") {
  const tests::TemporaryFolder folder;
  const auto plan = tests::bath_plan({40, 80}, 3);
  const auto run = tests::simulate(plan, three_items(in_the_night), folder / "night");
  REQUIRE(run);
  CHECK(run->ending == sequence::Ending::finished);
  const auto results = results::compute(folder / "night");
  REQUIRE(results);
  CHECK(results->ending == "finished");
  CHECK_FALSE(results->channels[1].left_out);
  CHECK(results->channels[3].left_out);
  REQUIRE(results->plateaus.size() == 2);
  const auto& last = results->plateaus[1];
  CHECK(last.outcome == "settled");
  // 0.1 mK a channel above the source, and 3 K of item 2.
  CHECK(*last.items[0].error_k == Approx(0.0001).margin(1e-5));
  CHECK(*last.items[1].error_k == Approx(3.0002).margin(1e-5));
  CHECK_FALSE(last.items[2].error_k);
  REQUIRE(last.items[2].readings.faults.size() == 1);
  CHECK(last.items[2].readings.faults[0].code == "open_sensor");
  CHECK(last.items[2].readings.faults[0].count == 6);  // three mirrored sweeps

  // By the general reader from records in memory: every number the same.
  const auto again = results::compute(all_records(folder / "night"), results->verification);
  REQUIRE(again);
  for (std::size_t p = 0; p < 2; ++p)
    for (std::size_t i = 0; i < 3; ++i) {
      const auto &one = results->plateaus[p].items[i], &other = again->plateaus[p].items[i];
      CHECK(one.error_k == other.error_k);
      CHECK(one.error_sd_k == other.error_sd_k);
      CHECK(one.readings.mean_c == other.readings.mean_c);
      CHECK(one.readings.drift_k == other.readings.drift_k);
      CHECK(one.readings.faults.size() == other.readings.faults.size());
    }
}

// All bits of a real night's journal: tests/crash/crash_points.py bits.
TEST_CASE("a flipped bit of a night's journal is found where it is, sealed or not") {
  const tests::TemporaryFolder folder;
  REQUIRE(tests::simulate(tests::bath_plan({40, 80}, 3), three_items(in_the_night), folder / "night"));
  const auto flips = tests::flip_bits(folder / "night", folder / "flipped", 0, 997);
  CHECK(flips.tried > 100);
  CHECK(flips.in_its_line + flips.in_the_next == flips.tried);
  CHECK(flips.unseen == std::vector<std::string>());
}
