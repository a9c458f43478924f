// Results against published values.
//
// Type T emf: NIST Standard Reference Database 60 (functions of NIST Monograph 175, the same as IEC 60584-1), table
// rows in mV: 22 °C 0.870, 23 °C 0.911, 25 °C 0.992, 100 °C 4.279, -25 °C -0.940, printed to 0.001 mV. Pt100: IEC 60751
// table, printed to 0.01 ohm: 20 °C 107.79, 100 °C 138.51, -20 °C 92.16.
// The tolerances below are half of the last printed digit over the sensitivity, for each value that goes in.

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::results;
using namespace nightwell::results::fixture;

namespace {

const Json type_t = {{"kind", "thermocouple"}, {"type", "T"}, {"deviation_uv", Json::array()}};
const Json pt100 = {
    {"kind", "platinum"}, {"r0_ohm", 100.0}, {"a_per_c", 3.9083e-3}, {"b_per_c2", -5.775e-7}, {"c_per_c4", -4.183e-12}};

// Two rows at 46.8 uV/K (100 °C), or at 36 uV/K (-25 °C).
constexpr double warm_tolerance_k = 2 * 0.0005 / 0.0468;
constexpr double cold_tolerance_k = 2 * 0.0005 / 0.036;

}  // namespace

TEST_CASE("a thermocouple with its junction at a fixed temperature goes through emf") {
  for (const auto& [reference_ohm, emf_mv, t_c, tolerance_k] :
       {std::tuple{138.51, 4.279 - 0.992, 100.0, warm_tolerance_k},
        std::tuple{90.19, -0.940 - 0.992, -25.0, cold_tolerance_k}}) {
    Night night({{"R1", "reference", "resistance", pt100}, {"T1", "item", "voltage", type_t, {{"fixed_c", 25.0}}}},
                {{"mirrored", {0, 1, 1, 0}}});
    night.plan(0, t_c);
    night.sweep("mirrored", 0, {0, 1, 2, 3},
                [r = reference_ohm, mv = emf_mv](std::size_t channel, double) -> std::optional<double> {
                  return channel == 0 ? r : mv * 1e-3;
                });
    night.close(0, t_c, 0, 0);
    const Plateau plateau = night.results().plateaus.at(0);
    CHECK(*plateau.items[0].readings.mean_c == Approx(t_c).margin(tolerance_k));
    if (t_c > 0) {
      CHECK(*plateau.reference.mean_c == Approx(t_c).margin(0.005 / 0.379));
      CHECK(*plateau.items[0].error_k == Approx(0).margin(tolerance_k + 0.005 / 0.379));
    }
  }
}

TEST_CASE("an instrument that refers the emf to 0 degrees itself") {
  Night night({{"R1", "reference", "resistance", pt100}, {"T1", "item", "voltage", type_t, {{"instrument", true}}}},
              {{"straight", {0, 1}}});
  night.plan(0, 100);
  night.sweep("straight", 0, {0, 1},
              [](std::size_t channel, double) -> std::optional<double> { return channel == 0 ? 138.51 : 4.279e-3; });
  night.close(0, 100, 0, 0);
  CHECK(*night.results().plateaus.at(0).items[0].readings.mean_c == Approx(100).margin(warm_tolerance_k));
}

TEST_CASE("the junction's temperature is taken at the moment of the emf reading") {
  // The junction, a Pt100, warms from 22 °C to 23 °C while the emf is read at the start, between, and at the end.
  const std::vector<double> emf_mv = {4.279 - 0.870, 4.279 - 0.911};
  const double at_22_ohm = 100 * (1 + 3.9083e-3 * 22 - 5.775e-7 * 22 * 22);
  const double at_23_ohm = 100 * (1 + 3.9083e-3 * 23 - 5.775e-7 * 23 * 23);
  Night night({{"R1", "reference", "resistance", pt100},
               {"T1", "item", "voltage", type_t, {{"channel", 2}}},
               {"J1", "junction", "resistance", pt100}},
              {{"mirrored", {2, 0, 1, 1, 1, 0, 2}}});
  night.plan(0, 100);
  const auto value = [&](std::size_t channel, double at_s) -> std::optional<double> {
    if (channel == 0) return 138.51;
    if (channel == 2) return at_s < 50 ? at_22_ohm : at_23_ohm;
    return (emf_mv[0] + (emf_mv[1] - emf_mv[0]) * at_s / 100) * 1e-3;
  };
  night.sweep("mirrored", 0, {0, 1, 0.5, 50, 99.5, 99, 100}, value);
  night.close(0, 100, 0, 0);
  const Plateau plateau = night.results().plateaus.at(0);
  const Item& item = plateau.items[0];
  CHECK(*item.readings.mean_c == Approx(100).margin(warm_tolerance_k));
  // Were the junction held at its first reading, the last emf would be out by a kelvin.
  CHECK(*item.readings.sd_k < warm_tolerance_k);
  CHECK(item.readings.junction_outside == 0);
  REQUIRE(plateau.junctions.size() == 1);
  CHECK(*plateau.junctions[0].mean_c == Approx(22.5).margin(1e-9));
  CHECK(*plateau.junctions[0].drift_k == Approx(1).margin(1e-9));
}

TEST_CASE("a junction read on one side only is used and counted; one never read leaves no temperature") {
  for (const bool junction_reads : {true, false}) {
    Night night({{"R1", "reference", "resistance", pt100},
                 {"T1", "item", "voltage", type_t, {{"channel", 2}}},
                 {"J1", "junction", "resistance", pt100}},
                {{"straight", {2, 0, 1}}});
    night.plan(0, 100);
    night.sweep("straight", 0, {0, 1, 2}, [&](std::size_t channel, double) -> std::optional<double> {
      if (channel == 0) return 138.51;
      if (channel == 1) return (4.279 - 0.790) * 1e-3;  // 0.790 mV: 20 °C
      if (junction_reads) return 107.79;
      return std::nullopt;
    });
    night.close(0, 100, 0, 0);
    const Item item = night.results().plateaus.at(0).items.at(0);
    if (junction_reads) {
      CHECK(*item.readings.mean_c == Approx(100).margin(warm_tolerance_k + 0.005 / 0.388));
      CHECK(item.readings.junction_outside == 1);
    } else {
      CHECK(item.readings.n == 0);
      CHECK(item.readings.faults.at(0).code == "no_junction");
      CHECK_FALSE(item.error_k);
    }
  }
}

TEST_CASE("a raw value that no temperature belongs to is left out and counted") {
  Night night({{"R1", "reference", "resistance", pt100}, {"X1", "item", "resistance", pt100}},
              {{"straight", {0, 1, 1}}});
  night.plan(0, 20);
  night.sweep("straight", 0, {0, 1, 2}, [](std::size_t channel, double at_s) -> std::optional<double> {
    return channel == 1 && at_s > 1.5 ? 1e6 : 107.79;
  });
  night.close(0, 20, 0, 0);
  const Item item = night.results().plateaus.at(0).items.at(0);
  CHECK(item.readings.n == 1);
  CHECK(*item.readings.raw_mean == 107.79);
  CHECK(item.readings.faults.at(0).code == "out_of_range");
}
