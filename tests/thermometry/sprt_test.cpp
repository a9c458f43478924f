// What is particular to ITS-90 thermometers: which subrange holds where, and the deviation as a function of W.
#include "thermometry/sprt.hpp"

#include <catch2/catch.hpp>
#include <cmath>

using namespace nightwell;
using namespace nightwell::thermometry;

namespace {

const SprtSubrange argon{4, {-1.7e-4, -1.1e-5}};
const SprtSubrange mercury_to_gallium{5, {-1.3e-4, -2e-5}};
const SprtSubrange zinc{8, {-1.6e-4, -9e-6}};

}  // namespace

TEST_CASE("At the triple point of water every thermometer reads its own R") {
  for (const auto& sprt : {Sprt{25.5, argon, zinc}, Sprt{25.5, std::nullopt, zinc}, Sprt{25.5, argon, std::nullopt},
                           Sprt{25.5, std::nullopt, mercury_to_gallium}}) {
    CHECK(*sprt_resistance_ohm(sprt, 0.01) == Approx(25.5).epsilon(2e-8));
    CHECK(*sprt_temperature_c(sprt, 25.5) == Approx(0.01).margin(5e-6));
  }
}

TEST_CASE("A side without a subrange is out of range") {
  const Sprt hot{25.5, std::nullopt, zinc}, cold{25.5, argon, std::nullopt}, neither{25.5, std::nullopt, std::nullopt};
  CHECK(sprt_resistance_ohm(hot, -10).error().code == Errc::out_of_range);
  CHECK(sprt_temperature_c(hot, 24.0).error().code == Errc::out_of_range);
  CHECK(sprt_resistance_ohm(cold, 10).error().code == Errc::out_of_range);
  CHECK(sprt_temperature_c(cold, 27.0).error().code == Errc::out_of_range);
  CHECK(sprt_temperature_c(neither, 25.5).error().code == Errc::out_of_range);
  CHECK(sprt_span(hot).low_c == 0.0);
  CHECK(sprt_span(hot).high_c == 419.527);
  CHECK(sprt_span(cold).low_c == -189.3442);
  CHECK(sprt_span(Sprt{25.5, argon, zinc}).low_c == -189.3442);
  CHECK(sprt_span(Sprt{25.5, argon, zinc}).high_c == 419.527);
}

TEST_CASE("Where subrange 5 and a lower one overlap, there and back use the same") {
  const Sprt both{25.5, argon, mercury_to_gallium};
  const Sprt alone{25.5, std::nullopt, mercury_to_gallium}, only_cold{25.5, argon, std::nullopt};
  CHECK(*sprt_resistance_ohm(both, -20) == *sprt_resistance_ohm(alone, -20));
  CHECK(*sprt_resistance_ohm(both, -60) == *sprt_resistance_ohm(only_cold, -60));
  for (const double t_c : {-60.0, -38.9, -38.8, -20.0, 5.0, 29.0})
    CHECK(*sprt_temperature_c(both, *sprt_resistance_ohm(both, t_c)) == Approx(t_c).margin(1e-8));
}

TEST_CASE("A fixed-point cell at the end of a subrange may read a little beyond it") {
  const Sprt sprt{25.5, argon, zinc};
  const double r_zinc = *sprt_resistance_ohm(sprt, 419.527), per_k = *sprt_slope_ohm_per_k(sprt, 419.527);
  CHECK(*sprt_temperature_c(sprt, r_zinc + 0.001 * per_k) == Approx(419.528).margin(1e-6));
  CHECK(sprt_temperature_c(sprt, r_zinc + 0.01 * per_k).error().code == Errc::out_of_range);
}

TEST_CASE("Above aluminium the silver subrange adds its d, below it does not") {
  const SprtSubrange aluminium{7, {-1.6e-4, -8e-6, 2e-6}}, silver{6, {-1.6e-4, -8e-6, 2e-6, 5e-6}};
  const Sprt a{25.5, std::nullopt, aluminium}, b{25.5, std::nullopt, silver};
  for (const double t_c : {100.0, 419.527, 660.3})
    CHECK(*sprt_resistance_ohm(a, t_c) == Approx(*sprt_resistance_ohm(b, t_c)).epsilon(1e-14));
  const double w = *sprt_resistance_ohm(b, 960.0) / 25.5, w_al = *sprt_resistance_ohm(a, 660.323) / 25.5;
  const double x = w - 1;
  const double expected = -1.6e-4 * x - 8e-6 * x * x + 2e-6 * x * x * x + 5e-6 * (w - w_al) * (w - w_al);
  CHECK(*deviation(silver, w) == Approx(expected).epsilon(1e-12));
}

TEST_CASE("The deviation functions of the coldest subranges, written out") {
  const double w = 0.3, x = w - 1, l = std::log(w);
  CHECK(*deviation({1, {2e-4, 3e-5, 1e-6, 2e-6, 3e-6, 4e-6, 5e-6}}, w) ==
        Approx(2e-4 * x + 3e-5 * x * x + 1e-6 * std::pow(l, 3) + 2e-6 * std::pow(l, 4) + 3e-6 * std::pow(l, 5) +
               4e-6 * std::pow(l, 6) + 5e-6 * std::pow(l, 7)));
  CHECK(*deviation({2, {2e-4, 3e-5, 1e-6, 2e-6, 3e-6}}, w) ==
        Approx(2e-4 * x + 3e-5 * x * x + 1e-6 * l + 2e-6 * l * l + 3e-6 * l * l * l));
  CHECK(*deviation({3, {2e-4, 3e-5, 1e-6}}, w) == Approx(2e-4 * x + 3e-5 * x * x + 1e-6 * l * l));
  CHECK(*deviation({4, {2e-4, 3e-5}}, w) == Approx(2e-4 * x + 3e-5 * x * l));
  CHECK(deviation({4, {2e-4, 3e-5}}, 0.0).error().code == Errc::out_of_range);
}

TEST_CASE("A deviation far too large has no inverse, and says so") {
  const Sprt sprt{25.5, std::nullopt, SprtSubrange{10, {1.5}}};
  CHECK(sprt_resistance_ohm(sprt, 100).error().code == Errc::bad_input);
}
