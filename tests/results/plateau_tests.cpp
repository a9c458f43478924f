// A plateau's numbers against hand-computed cases and against data whose answer is known: an item that is off by a
// fixed amount in a bath that drifts.

#include <cmath>

#include "night.hpp"

using namespace nightwell;
using namespace nightwell::results;
using namespace nightwell::results::fixture;

namespace {

constexpr double offset_k = 0.05;
constexpr double drift_per_s = 0.001;
double bath_c(double at_s) {
  return 20.0 + drift_per_s * at_s;
}

std::vector<double> every(double step_s, std::size_t count) {
  std::vector<double> out;
  for (std::size_t i = 0; i < count; ++i) out.push_back(step_s * static_cast<double>(i));
  return out;
}

const std::vector<NightChannel> one_reference = {{"R1", "reference"}, {"X1"}, {"X2"}};
const std::vector<NightChannel> two_references = {{"R1", "reference"}, {"R2", "reference"}, {"X1"}, {"X2"}};

// The reference reads the bath, items read it with their offset.
std::optional<double> drifting(std::size_t channel, double at_s) {
  return channel == 0 ? bath_c(at_s) : bath_c(at_s) + offset_k * static_cast<double>(channel);
}

Plateau plateau_of(const Night& night) {
  return night.results().plateaus.at(0);
}

}  // namespace

TEST_CASE("one mirrored sweep by hand") {
  Night night({{"R1", "reference"}, {"X1"}}, {{"mirrored", {0, 1, 1, 0}}});
  night.plan(0, 10);
  const std::vector<double> values = {10.0, 10.5, 10.7, 10.3};
  night.sweep("mirrored", 100, {0, 1, 2, 3},
              [&](std::size_t, double at_s) { return values.at(static_cast<std::size_t>(at_s - 100)); });
  night.close(0, 10, 0, 0);
  const Plateau plateau = plateau_of(night);
  CHECK(plateau.setpoint_c == 10);
  CHECK(plateau.source == "bath");
  CHECK(plateau.sweeps == 1);
  CHECK(*plateau.from_s == 100);
  CHECK(*plateau.to_s == 103);
  CHECK(plateau.reference.n == 2);
  CHECK(*plateau.reference.mean_c == Approx(10.15));
  CHECK(*plateau.reference.sd_k == Approx(0.3 / std::sqrt(2.0)));
  CHECK(*plateau.reference.drift_k == Approx(0.3));
  CHECK_FALSE(plateau.reference.difference_k);
  REQUIRE(plateau.items.size() == 1);
  const Item& item = plateau.items[0];
  CHECK(item.readings.n == 2);
  CHECK(*item.readings.raw_mean == Approx(10.6));
  CHECK(*item.readings.mean_c == Approx(10.6));
  CHECK(*item.readings.sd_k == Approx(0.2 / std::sqrt(2.0)));
  // Reference at 1 s: 10.1, at 2 s: 10.2; differences 0.4 and 0.5.
  CHECK(*item.error_k == Approx(0.45));
  CHECK(*item.error_sd_k == Approx(0.1 / std::sqrt(2.0)));
  CHECK(*item.standard_error_k == Approx(0.05));
  CHECK(item.reference_outside == 0);
}

TEST_CASE("a linear drift cancels in mirrored and bracketed order") {
  const std::vector<std::pair<std::string, std::vector<std::size_t>>> orders = {{"mirrored", {0, 1, 2, 2, 1, 0}},
                                                                                {"bracketed", {0, 1, 0, 2, 0}}};
  for (const auto& [name, visits] : orders) {
    INFO(name);
    Night night(one_reference, {{name, visits}});
    night.plan(0, 20);
    for (int i = 0; i < 3; ++i) night.sweep(name, 50.0 + 40 * i, every(2.5, visits.size()), drifting);
    night.close(0, 20, 0, 2);
    const Plateau plateau = plateau_of(night);
    for (std::size_t i = 0; i < 2; ++i) {
      CHECK(*plateau.items[i].error_k == Approx(offset_k * static_cast<double>(i + 1)).epsilon(1e-10));
      CHECK(*plateau.items[i].error_sd_k == Approx(0).margin(1e-10));
      CHECK(plateau.items[i].reference_outside == 0);
    }
  }
}

TEST_CASE("in straight order only the last sweep has no reference after it, and says so") {
  Night night(one_reference, {{"straight", {0, 1, 2}}});
  night.plan(0, 20);
  for (int i = 0; i < 4; ++i) night.sweep("straight", 10.0 * i, {0, 2, 4}, drifting);
  night.close(0, 20, 0, 3);
  const Plateau plateau = plateau_of(night);
  // Three exact differences, and one with the reference of 2 s (X1) or 4 s (X2) before.
  CHECK(*plateau.items[0].error_k == Approx(offset_k + 2 * drift_per_s / 4));
  CHECK(*plateau.items[1].error_k == Approx(2 * offset_k + 4 * drift_per_s / 4));
  CHECK(plateau.items[0].reference_outside == 1);
  CHECK(plateau.items[1].reference_outside == 1);
}

TEST_CASE("two references: the item is compared with their mean at its own moment") {
  // One reads 0.02 K high, the other as much low.
  const auto value = [](std::size_t channel, double at_s) -> std::optional<double> {
    if (channel == 0) return bath_c(at_s) + 0.02;
    if (channel == 1) return bath_c(at_s) - 0.02;
    return bath_c(at_s) + offset_k;
  };
  Night night(two_references, {{"mirrored", {0, 2, 3, 1, 1, 3, 2, 0}}});
  night.plan(0, 20);
  night.sweep("mirrored", 0, every(2, 8), value);
  night.close(0, 20, 0, 0);
  const Plateau plateau = plateau_of(night);
  CHECK(*plateau.reference.mean_c == Approx(bath_c(7)));
  CHECK(*plateau.reference.difference_k == Approx(0.04));
  CHECK(plateau.reference.n == 4);
  CHECK(plateau.reference.each.size() == 2);
  // R2 is read in the middle only, at 6 s and 8 s: what it lacks before, it has too much of behind.
  CHECK(*plateau.items[0].error_k == Approx(offset_k));
  CHECK(*plateau.items[1].error_k == Approx(offset_k));
  CHECK(plateau.items[0].reference_outside == 2);
}

TEST_CASE("two references, pooled spread by hand") {
  Night night({{"R1", "reference"}, {"R2", "reference"}, {"X1"}}, {{"o", {0, 0, 0, 1, 1, 2}}});
  night.plan(0, 10);
  const std::vector<double> values = {1, 2, 3, 10, 12, 0};
  night.sweep("o", 0, every(1, 6), [&](std::size_t, double at_s) { return values.at(static_cast<std::size_t>(at_s)); });
  night.close(0, 10, 0, 0);
  const Plateau plateau = plateau_of(night);
  CHECK(*plateau.reference.mean_c == Approx(6.5));
  CHECK(*plateau.reference.difference_k == Approx(-9.0));
  CHECK(*plateau.reference.sd_k == Approx(std::sqrt((2 * 1.0 + 1 * 2.0) / 3)));
  CHECK(*plateau.reference.drift_k == Approx((2.0 + 2.0) / 2));
}

TEST_CASE("scanners that read in parallel: moments count, not positions in the order") {
  // Items sit on a scanner that starts at the same moment as the one with the reference.
  Night night(one_reference, {{"mirrored", {0, 1, 2, 2, 1, 0}}});
  night.plan(0, 20);
  for (int i = 0; i < 2; ++i) night.sweep("mirrored", 100.0 * i, {0, 0.5, 1.5, 2.5, 3.5, 4.0}, drifting);
  night.sweep("mirrored", 200, {3, 0.5, 1, 1.5, 2, 4}, drifting);  // its reference comes late
  night.close(0, 20, 0, 2);
  const Plateau plateau = plateau_of(night);
  CHECK(*plateau.items[0].error_k == Approx(offset_k).epsilon(1e-10));
  CHECK(*plateau.items[1].error_k == Approx(2 * offset_k).epsilon(1e-10));
  CHECK(plateau.items[0].reference_outside == 0);
}

TEST_CASE("readings without a value are left out and counted") {
  Night night(one_reference, {{"mirrored", {0, 1, 2, 2, 1, 0}}});
  night.plan(0, 20);
  const auto value = [](std::size_t channel, double at_s) -> std::optional<double> {
    if (channel == 1 && at_s < 10) return std::nullopt;
    if (channel == 2) return std::nullopt;
    return drifting(channel, at_s);
  };
  for (int i = 0; i < 2; ++i) night.sweep("mirrored", 20.0 * i, every(1, 6), value);
  night.close(0, 20, 0, 1);
  const Plateau plateau = plateau_of(night);
  CHECK(plateau.items[0].readings.n == 2);
  CHECK(*plateau.items[0].error_k == Approx(offset_k));
  REQUIRE(plateau.items[0].readings.faults.size() == 1);
  CHECK(plateau.items[0].readings.faults[0].code == "open_sensor");
  CHECK(plateau.items[0].readings.faults[0].count == 2);
  CHECK(plateau.items[1].readings.n == 0);
  CHECK_FALSE(plateau.items[1].readings.mean_c);
  CHECK_FALSE(plateau.items[1].error_k);
  CHECK(plateau.items[1].readings.faults[0].count == 4);
}

TEST_CASE("a reference that gave nothing leaves the items without errors, not with half a reference") {
  Night night(two_references, {{"o", {0, 2, 3, 1}}});
  night.plan(0, 20);
  night.sweep("o", 0, every(1, 4), [](std::size_t channel, double at_s) -> std::optional<double> {
    if (channel == 1) return std::nullopt;
    return bath_c(at_s);
  });
  night.close(0, 20, 0, 0);
  const Plateau plateau = plateau_of(night);
  CHECK(plateau.reference.missing == std::vector<std::size_t>{1});
  CHECK_FALSE(plateau.reference.mean_c);
  CHECK(plateau.items[0].readings.mean_c);
  CHECK_FALSE(plateau.items[0].error_k);
}

TEST_CASE("one reading has a mean and no spread") {
  Night night(one_reference, {{"straight", {0, 1, 2}}});
  night.plan(0, 20);
  night.sweep("straight", 0, {0, 1, 2}, drifting);
  night.close(0, 20, 0, 0);
  const Plateau plateau = plateau_of(night);
  CHECK(plateau.items[0].error_k);
  CHECK_FALSE(plateau.items[0].error_sd_k);
  CHECK_FALSE(plateau.items[0].standard_error_k);
  CHECK_FALSE(plateau.reference.sd_k);
  CHECK_FALSE(plateau.reference.drift_k);
}
