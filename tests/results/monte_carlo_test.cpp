// Monte Carlo of an item's budget: the GUM's interval is confirmed where the model is straight, not where it bends.
#include "results/monte_carlo.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "results/budget.hpp"

using namespace nightwell;
using namespace nightwell::results;
using uncertainty::Shape;

namespace {

// One reference without any uncertainty, and one item whose scanner's reading is uncertain by `standard` in its raw unit.
Results one_item(thermometry::SensorModel model, double raw, double t_c, double standard) {
  Results out;
  out.channels.resize(2);
  out.channels[0].name = "reference";
  out.channels[0].role = Role::reference;
  out.channels[0].model = thermometry::Platinum{};
  out.channels[1].name = "item";
  out.channels[1].measures = thermometry::quantity(model);
  out.channels[1].model = std::move(model);
  out.plateaus.resize(1);
  Plateau& plateau = out.plateaus[0];
  plateau.reference.each.resize(1);
  plateau.reference.each[0].raw_mean = 100.0;
  plateau.reference.each[0].mean_c = 0.0;
  plateau.items.resize(1);
  Item& item = plateau.items[0];
  item.readings.channel = 1;
  item.readings.raw_mean = raw;
  item.readings.mean_c = t_c;
  item.error_k = 0.0;
  ItemBudget budget;
  const double slope = *thermometry::sensitivity_per_k(out.channels[1].model, t_c);
  budget.lines.push_back(
      {"reading", "ohm", Shape::normal, standard, std::nullopt, 1 / slope, {{Enters::raw, 1, 1}}, "test", 0});
  REQUIRE(combine(budget, 0.9545).ok());
  item.budget = budget;
  out.lab_budget = uncertainty::LabBudget{};
  return out;
}

}  // namespace

TEST_CASE(
    "A Pt100's budget is as good as straight: both methods agree to two digits, and the same seed gives the same "
    "bits") {
  const Results results = one_item(thermometry::Platinum{}, 138.5055, 100, 0.01);
  const auto first = monte_carlo(results, results.plateaus[0], results.plateaus[0].items[0], 7, 1);
  REQUIRE(first.ok());
  CHECK(first->found.stable);
  CHECK(first->agreement.validated);
  CHECK(first->found.standard_uncertainty == Approx(0.01 / 0.37928).epsilon(0.01));
  const auto again = monte_carlo(results, results.plateaus[0], results.plateaus[0].items[0], 7, 1);
  CHECK(first->found.symmetric.low == again->found.symmetric.low);
  CHECK(first->found.symmetric.high == again->found.symmetric.high);
}

TEST_CASE(
    "A thermistor with a large uncertainty bends: the interval is not symmetric, and the GUM's is not confirmed") {
  const thermometry::Thermistor thermistor{1.129241e-3, 2.341077e-4, 8.775468e-8, -40, 120};  // 10 kohm at 25 °C
  const double raw = *thermometry::raw_value(thermistor, 25, std::nullopt);
  const Results results = one_item(thermistor, raw, 25, raw * 0.15);
  const auto check = monte_carlo(results, results.plateaus[0], results.plateaus[0].items[0], 7, 1);
  REQUIRE(check.ok());
  CHECK(check->found.symmetric.high > -check->found.symmetric.low);  // a low resistance is worth more kelvins
  CHECK_FALSE(check->agreement.validated);
}

TEST_CASE("An error that reference and item share is one draw, of its own shape, through both models") {
  // A Pt1000 against a Pt100 on one scanner, whose offset of ±0.01 ohm both share: -2.6366 + 0.2637 K/ohm at 100 °C.
  Results results = one_item(thermometry::Platinum{1000}, 1385.055, 100, 0);
  results.plateaus[0].reference.each[0].raw_mean = 138.5055;
  Item& item = results.plateaus[0].items[0];
  const double k_per_ohm = -1 / 0.37928 + 1 / 3.7928;
  item.budget->lines = {{"offset",
                         "ohm",
                         Shape::rectangular,
                         0.01,
                         std::nullopt,
                         k_per_ohm,
                         {{Enters::raw, 0, 1}, {Enters::raw, 1, 1}},
                         "test",
                         0}};
  REQUIRE(combine(*item.budget, 0.9545).ok());
  const auto check = monte_carlo(results, results.plateaus[0], item, 7, 2);
  REQUIRE(check.ok());
  CHECK(check->found.standard_uncertainty == Approx(0.01 * std::abs(k_per_ohm) / std::sqrt(3)).epsilon(0.01));
  CHECK(check->found.symmetric.high == Approx(0.9545 * 0.01 * std::abs(k_per_ohm)).epsilon(0.01));
  CHECK_FALSE(check->agreement.validated);  // k = 2 is too long for a rectangle
}

TEST_CASE("A junction that serves reference and item moves both in each trial") {
  const thermometry::SensorModel type_t = thermometry::Thermocouple{thermometry::ThermocoupleType::t, {}};
  const double raw = *thermometry::raw_value(type_t, 60, 23.0);
  Results results = one_item(type_t, raw, 60, 0);
  results.channels.resize(3);
  results.channels[0].model = type_t;
  results.channels[2].role = Role::junction;
  results.channels[2].model = thermometry::Platinum{};
  results.channels[0].junction = results.channels[1].junction = JunctionChannel{2};
  Plateau& plateau = results.plateaus[0];
  plateau.reference.each[0].raw_mean = raw;
  Readings block;
  block.channel = 2;
  block.raw_mean = *thermometry::raw_value(thermometry::Platinum{}, 23, std::nullopt);
  block.mean_c = 23.0;
  plateau.junctions = {block};
  Item& item = plateau.items[0];
  // Half a kelvin of the block, by its sensor and by its reading, and a microvolt of noise that is the item's alone.
  item.budget->lines = {{"block",
                         "K",
                         Shape::normal,
                         0.5,
                         std::nullopt,
                         0,
                         {{Enters::junction, 0, 1}, {Enters::junction, 1, 1}},
                         "test",
                         0},
                        {"its reading", "ohm", Shape::normal, 0.2, std::nullopt, 0, {{Enters::raw, 2, 1}}, "test", 0},
                        {"noise",
                         "V",
                         Shape::normal,
                         1e-6,
                         std::nullopt,
                         1 / *thermometry::sensitivity_per_k(type_t, 60),
                         {{Enters::raw, 1, 1}},
                         "test",
                         0}};
  REQUIRE(combine(*item.budget, 0.9545).ok());
  const auto check = monte_carlo(results, plateau, item, 7, 1);
  REQUIRE(check.ok());
  CHECK(check->agreement.validated);
  CHECK(check->found.standard_uncertainty == Approx(*item.budget->standard_k).epsilon(0.01));
}

TEST_CASE("A trial that leaves the model's range is an error, not a number") {
  const double raw = *thermometry::raw_value(thermometry::Platinum{}, 849.9, std::nullopt);
  const Results results = one_item(thermometry::Platinum{}, raw, 849.9, 1);
  const auto check = monte_carlo(results, results.plateaus[0], results.plateaus[0].items[0], 7, 1);
  REQUIRE_FALSE(check.ok());
  CHECK(check.error().code == Errc::out_of_range);
}

TEST_CASE("All budgets at once: in their order, and the same bits for any number of threads") {
  Results results = one_item(thermometry::Platinum{}, 138.5055, 100, 0.01);
  const Item item = results.plateaus[0].items[0];
  for (int i = 1; i < 7; ++i) {
    results.plateaus[0].items.push_back(item);
    results.plateaus[0].items.back().error_k = 0.1 * i;
  }
  results.plateaus[0].items[3].budget.reset();
  const auto alone = monte_carlo_of_all(results, 7, 1, 1);
  REQUIRE(alone.size() == 7);
  for (const unsigned threads : {2U, 3U, 16U}) {
    const auto shared = monte_carlo_of_all(results, 7, 1, threads);
    REQUIRE(shared.size() == alone.size());
    for (std::size_t i = 0; i < alone.size(); ++i) {
      INFO("item " << i << ", " << threads << " threads");
      REQUIRE(shared[i].ok() == (i != 3));
      if (!shared[i]) continue;
      const auto one = monte_carlo(results, results.plateaus[0], results.plateaus[0].items[i], 7, 1);
      for (const auto& same : {alone[i]->found, one->found}) {
        CHECK(shared[i]->found.mean == same.mean);
        CHECK(shared[i]->found.symmetric.low == same.symmetric.low);
        CHECK(shared[i]->found.symmetric.high == same.symmetric.high);
        CHECK(shared[i]->found.trials == same.trials);
      }
    }
  }
}
