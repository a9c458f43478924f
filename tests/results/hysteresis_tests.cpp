// From which side plateaus were come to, and a planted hysteresis found again through a journal.
#include <cmath>

#include "night.hpp"
#include "results/hysteresis.hpp"

using namespace nightwell;
using namespace nightwell::results;
using namespace nightwell::results::fixture;

namespace {

Plateau come_to(double setpoint_c, std::size_t sweeps = 1) {
  Plateau out;
  out.setpoint_c = setpoint_c;
  out.sweeps = sweeps;
  out.band_k = 0.3;
  return out;
}

std::vector<Direction> ways(std::vector<Plateau> plateaus, std::optional<double> start_c) {
  set_directions(plateaus, start_c);
  std::vector<Direction> out;
  for (const Plateau& plateau : plateaus) out.push_back(plateau.direction);
  return out;
}

constexpr auto up = Direction::up, down = Direction::down, unknown = Direction::unknown;

// A run of one item over `setpoints_c`, with the error that the item has at each plateau. `start_c`: what the reference
// says in the preflight; nothing: there is none.
Results run_over(const std::vector<double>& setpoints_c, const std::vector<double>& errors_k,
                 std::optional<double> start_c) {
  Night night({{"R1", "reference"}, {"X1"}}, {{"straight", {0, 1}}, {"mirrored", {0, 1, 1, 0}}});
  for (std::size_t i = 0; i < setpoints_c.size(); ++i) night.plan(i, setpoints_c[i]);
  if (start_c)
    night.sweep(
        "straight", 0, {0, 1}, [&](std::size_t, double) -> std::optional<double> { return start_c; }, "preflight");
  for (std::size_t i = 0; i < setpoints_c.size(); ++i) {
    const std::uint64_t number = night.sweeps();
    night.sweep(
        "mirrored", 1000.0 * static_cast<double>(i + 1), {0, 1, 2, 3},
        [&](std::size_t channel, double) -> std::optional<double> {
          return setpoints_c[i] + (channel == 1 ? errors_k[i] : 0);
        },
        "capture", i);
    night.close(i, setpoints_c[i], number, number);
  }
  return night.results();
}

}  // namespace

TEST_CASE("the direction is the setpoint minus the one before; for the first one minus the reference at the start") {
  CHECK(ways({come_to(-25), come_to(15), come_to(60), come_to(15)}, 21.0) == std::vector{down, up, up, down});
  CHECK(ways({come_to(-25), come_to(15)}, std::nullopt) == std::vector{unknown, up});
  CHECK(ways({come_to(21.2), come_to(15)}, 21.0) == std::vector{unknown, down});  // it starts within the band
  CHECK(ways({come_to(60), come_to(60), come_to(15), come_to(15)}, 21.0) == std::vector{up, up, down, down});
}

TEST_CASE("how far a skipped plateau was come to is not known: what lies on its way has no direction") {
  CHECK(ways({come_to(15), come_to(60, 0), come_to(40)}, 0.0) == std::vector{up, up, unknown});
  CHECK(ways({come_to(15), come_to(60, 0), come_to(15)}, 0.0) == std::vector{up, up, unknown});
  CHECK(ways({come_to(15), come_to(60, 0), come_to(80)}, 0.0) == std::vector{up, up, up});
  CHECK(ways({come_to(15), come_to(60, 0), come_to(0)}, 5.0) == std::vector{up, up, down});
}

TEST_CASE("a planted hysteresis comes back, and plateaus of one side count as repeatability instead") {
  // 15 °C from below 0.110 and 0.114 K, from above 0.090 and 0.094 K: 0.020 K apart; on each side ±0.002 K about the mean,
  // s² = 4 x 0.002² / 2.
  const Results found = run_over({15, 60, 15, -25, 15, 60, 15}, {0.110, 0.3, 0.090, 0.1, 0.114, 0.3, 0.094}, -5.0);
  REQUIRE(found.revisited.size() == 2);
  const Revisited& at_15 = found.revisited[0];
  CHECK(at_15.setpoint_c == 15);
  CHECK(at_15.up.n == 2);
  CHECK(*at_15.up.mean_k == Approx(0.112).margin(1e-9));
  CHECK(*at_15.down.mean_k == Approx(0.092).margin(1e-9));
  CHECK(*at_15.difference_k == Approx(0.020).margin(1e-9));
  CHECK(at_15.degrees_of_freedom == 2);
  CHECK(*at_15.between_sd_k == Approx(0.002 * std::sqrt(2)).margin(1e-9));
  const Revisited& at_60 = found.revisited[1];  // twice from below: no hysteresis is to be seen there
  CHECK(at_60.up.n == 2);
  CHECK_FALSE(at_60.difference_k);
  CHECK(*at_60.between_sd_k == Approx(0).margin(1e-9));
  CHECK(revisited_at(found.revisited, 1, found.plateaus[2]) == &at_15);
  CHECK(revisited_at(found.revisited, 1, found.plateaus[3]) == nullptr);
}

TEST_CASE("one error from each side is hysteresis without repeatability; an unknown side is neither") {
  const Results both = run_over({15, 60, 15}, {0.11, 0.3, 0.09}, -5.0);
  REQUIRE(both.revisited.size() == 1);
  CHECK(*both.revisited[0].difference_k == Approx(0.02).margin(1e-9));
  CHECK_FALSE(both.revisited[0].between_sd_k);
  CHECK(run_over({15, 60, 15}, {0.11, 0.3, 0.09}, std::nullopt).revisited.empty());
}

TEST_CASE("the same setpoint in another source is another place") {
  std::vector<Plateau> plateaus{come_to(15), come_to(60), come_to(15)};
  set_directions(plateaus, 0.0);
  for (Plateau& plateau : plateaus) {
    plateau.source = "bath";
    plateau.items.resize(1);
    plateau.items[0].error_k = 0.1;
  }
  CHECK(revisited(plateaus).size() == 1);
  plateaus[2].source = "block";
  CHECK(revisited(plateaus).empty());
}
