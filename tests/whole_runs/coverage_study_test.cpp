// What the numbers of this program are worth, found out as a user would: 500 calibrations of a probe whose true error is known,
// each run as a night is. A survey; then the sequencer on virtual time, which heats, waits for the settle rule and captures;
// the journal, written and read back; conversion, budget, verdict. What disturbs a run is drawn anew for each from what its
// budget states, and no more: the reference's error since its certificate, the scanner's at each channel, the difference
// between the two places in the bath, noise; the item also follows the bath late, as the line for drift allows.
#include "support/coverage_study.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "results/results.hpp"
#include "support/plans.hpp"
#include "support/simulated_run.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using namespace std::chrono_literals;

namespace {

constexpr int runs = 500;
constexpr double setpoint_c = 80, limit_k = 0.1;
constexpr double reference_u95_k = 0.016, scanner_ohm = 0.004, axial_k = 0.006, noise_k = 0.002;
constexpr double bath_s = 20, latest_s = 5;  // time constants: of the bath, of the item within it

constexpr const char* budget = R"({
  "format": "nightwell-budget/1", "coverage": 0.9545,
  "decision": {"rule": "simple_acceptance", "source": "ILAC-G8:09/2019, 4.2.1"},
  "scanners": {"scanner": {"resistance": [
    {"name": "accuracy", "half_width_ohm": 0.004, "shape": "rectangular", "source": "the study"}]}},
  "sources": {"bath": [
    {"name": "axial difference", "half_width_k": 0.006, "shape": "rectangular", "source": "the study"}]},
  "references": [], "items": [], "junctions": [], "items_that_measure": {}, "sensors": {}
})";

sequence::Plan the_plan() {
  sequence::Plan plan = tests::bath_plan({setpoint_c});
  for (auto& channel : plan.channels) {
    channel.measures = Quantity::resistance;
    channel.card.model = thermometry::Platinum{};
  }
  plan.channels[0].card.u95_k = reference_u95_k;
  plan.channels[1].card.tolerance = thermometry::OwnTolerance{limit_k, 0};
  plan.plateaus[0].capture = {sequence::Placement::after, sequence::ReadingOrder::bracketed, 10, 1s};
  plan.budget = budget;
  return plan;
}

// The same channels, looked at in the room before the night.
sequence::Plan the_survey() {
  sequence::Plan plan = the_plan();
  plan.sources.clear();
  plan.plateaus.clear();
  plan.budget.clear();
  plan.survey = sequence::Survey{2s, 6s, 21, 2};
  return plan;
}

// One laboratory on one night: errors that stay for the run, and noise that does not.
class NightOfErrors {
 public:
  explicit NightOfErrors(std::mt19937_64& random)
      : random_(random),
        item_error_k_(between(-2 * limit_k, 2 * limit_k)),
        reference_k_(normal(reference_u95_k / 2)),
        axial_k_(between(-axial_k, axial_k)),
        late_s_(between(0, latest_s)),
        reference_ohm_(between(-scanner_ohm, scanner_ohm)),
        item_ohm_(between(-scanner_ohm, scanner_ohm)) {}

  // What the item's error is in truth.
  [[nodiscard]] double item_error_k() const { return item_error_k_; }

  // Must not outlive this.
  [[nodiscard]] tests::SimulatedBench bench() {
    tests::SimulatedBench out;
    out.time_constant_s = bath_s;
    out.read = [this](std::size_t channel, Instant, double source_c) {
      return channel == 0 ? reference_ohm(source_c) : item_ohm(source_c);
    };
    return out;
  }

 private:
  double between(double low, double high) { return std::uniform_real_distribution<double>(low, high)(random_); }
  double normal(double sd) { return std::normal_distribution<double>(0, sd)(random_); }

  double reference_ohm(double source_c) {
    const double t_c = source_c + reference_k_ + normal(noise_k);
    return *thermometry::raw_value(thermometry::Platinum{}, t_c, std::nullopt) + reference_ohm_;
  }
  // Near the setpoint the bath moves by what is left of the way to it, divided by its time constant.
  double item_ohm(double source_c) {
    const double behind_k = std::abs(setpoint_c - source_c) < 1 ? late_s_ * (setpoint_c - source_c) / bath_s : 0;
    const double t_c = source_c - behind_k + axial_k_ + item_error_k_ + normal(noise_k);
    return *thermometry::raw_value(thermometry::Platinum{}, t_c, std::nullopt) + item_ohm_;
  }

  std::mt19937_64& random_;
  double item_error_k_, reference_k_, axial_k_, late_s_, reference_ohm_, item_ohm_;
};

results::Results run_and_read(const sequence::Plan& plan, const tests::SimulatedBench& bench,
                              const std::filesystem::path& journal) {
  const auto run = tests::simulate(plan, bench, journal);
  if (!run) FAIL(run.error().text());
  REQUIRE(run->ending == sequence::Ending::finished);
  auto results = results::compute(journal);
  if (!results) FAIL(results.error().text());
  std::filesystem::remove(journal);
  REQUIRE(results->ending == "finished");
  return std::move(results).value();
}

}  // namespace

TEST_CASE(
    "500 whole runs: the 95.45 % intervals hold the true error in 93 to 98 %, false verdicts as often as computed") {
  const tests::TemporaryFolder folder;
  const auto survey = the_survey(), night = the_plan();
  std::mt19937_64 random(20261125);
  tests::CoverageStudy study;
  for (int run = 0; run < runs; ++run) {
    NightOfErrors errors(random);
    const auto bench = errors.bench();
    REQUIRE(run_and_read(survey, bench, folder / "survey.ndjson").findings.empty());
    const auto results = run_and_read(night, bench, folder / "night.ndjson");
    REQUIRE(results.plateaus.size() == 1);
    REQUIRE(results.plateaus[0].outcome == "settled");
    REQUIRE(results.plateaus[0].sweeps == 10);
    study.judge(results.plateaus[0].items.at(0), errors.item_error_k(), limit_k);
  }
  const auto [low, high] = study.coverage_interval();
  INFO(study.covered << " of " << study.runs << " covered, 95 % interval of the probability " << low << " to " << high);
  CHECK(study.covered >= runs * 93 / 100);
  CHECK(study.covered <= runs * 98 / 100);
  CHECK((low <= 0.9545 && 0.9545 <= high));
  CHECK(study.accepted > 150);
  CHECK(study.rejected > 150);
  study.falsely_accepted.check();
  study.falsely_rejected.check();
}
