// The check in the triple-point-of-water cell. 25.5 ohm: one millikelvin there is 0.1017 mohm (dWr/dT = 3.9885e-3 per kelvin).
#include "thermometry/triple_point.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "thermometry/sprt.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;

TEST_CASE("A resistance that rose shows as so many millikelvin, with its uncertainty") {
  const Sprt card{25.5, std::nullopt, SprtSubrange{8, {-1.2e-4, -1e-5}}};
  const auto check = triple_point_check(card, 3e-6, {25.5 + 1.017e-4, 4e-6});
  REQUIRE(check.ok());
  CHECK(check->difference_mk == Approx(1.0).epsilon(1e-3));
  CHECK(check->u_mk == Approx(5e-6 / 1.017e-4).epsilon(1e-3));
  CHECK(triple_point_check(card, 0, {25.4999, 0})->difference_mk < 0);
}

// The reference function is 5e-9 off 1 at 0.01 °C, which is 1.2 uK.
TEST_CASE("The difference is what the card would show wrong at 0.01 °C") {
  const Sprt card{100.02, std::nullopt, SprtSubrange{8, {-1.2e-4, -1e-5}}};
  for (const double r_ohm : {100.0195, 100.0203, 100.025}) {
    const double shown_mk = 1e3 * (*sprt_temperature_c(card, r_ohm) - 0.01);
    CHECK(triple_point_check(card, 0, {r_ohm, 0})->difference_mk == Approx(shown_mk).epsilon(3e-4).margin(2e-3));
  }
}

TEST_CASE("Numbers that cannot be are refused") {
  const Sprt card{25.5, std::nullopt, std::nullopt};
  CHECK(triple_point_check(card, 0, {0, 0}).error().code == Errc::bad_input);
  CHECK(triple_point_check(card, 0, {NAN, 0}).error().code == Errc::bad_input);
  CHECK(triple_point_check(card, -1e-6, {25.5, 0}).error().code == Errc::bad_input);
  CHECK(triple_point_check(card, 0, {25.5, NAN}).error().code == Errc::bad_input);
  CHECK(triple_point_check(Sprt{-1, std::nullopt, std::nullopt}, 0, {25.5, 0}).error().code == Errc::bad_input);
}
