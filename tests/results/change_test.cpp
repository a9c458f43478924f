// Two runs of one item: the change and its uncertainty.
#include "results/change.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "results/budget.hpp"

using namespace nightwell;
using namespace nightwell::results;
using uncertainty::Shape;

namespace {

BudgetLine input(const std::string& name, double standard_k, double sensitivity) {
  return {name,     "K", Shape::normal, standard_k, std::nullopt, sensitivity, {{Enters::error, 0, sensitivity}},
          "a test", 0};
}

const CertificateOf of_reference{"SB-REF-02", "SB-REF-02/2025", "2025-03-04"};

Item item_with(double error_k, double certificate_k, double scatter_k,
               const std::optional<CertificateOf>& certificate = of_reference, double sensitivity = -1) {
  Item out;
  out.error_k = error_k;
  ItemBudget budget;
  budget.lines = {input("reference", certificate_k, sensitivity), input("scatter of item - reference", scatter_k, 1)};
  budget.lines[0].certificate = certificate;
  REQUIRE(combine(budget, 0.9545).ok());
  out.budget = budget;
  return out;
}

Results one_run(const std::string& serial, const std::vector<std::pair<double, Item>>& plateaus) {
  Results out;
  out.channels.resize(1);
  out.channels[0].serial = serial;
  for (const auto& [setpoint_c, item] : plateaus) {
    Plateau plateau;
    plateau.setpoint_c = setpoint_c;
    plateau.items = {item};
    out.plateaus.push_back(plateau);
  }
  return out;
}

}  // namespace

TEST_CASE("The certificate that served both times cancels; the scatter counts twice") {
  const auto found = changes(one_run("SB-1", {{0, item_with(0.10, 0.05, 0.003)}, {50, item_with(0.2, 0.05, 0.003)}}),
                             one_run("SB-1", {{50, item_with(0.23, 0.05, 0.004)}}));
  REQUIRE(found.ok());
  REQUIRE(found->size() == 1);
  const Change& change = found->front();
  CHECK(change.setpoint_c == 50);
  CHECK(change.change_k == Approx(0.03));
  CHECK(*change.standard_k == Approx(0.005));
  CHECK(*change.expanded_k == Approx(0.01).epsilon(1e-3));
}

TEST_CASE("Another certificate does not cancel") {
  const auto found =
      changes(one_run("SB-1", {{0, item_with(0, 0.03, 0)}}), one_run("SB-1", {{0, item_with(0, 0.04, 0)}}));
  REQUIRE(found.ok());
  CHECK(*found->front().standard_k == Approx(0.05));
}

TEST_CASE("It is the same certificate by sensor, number and date, whatever the line is called") {
  const auto standard_k = [](const std::optional<CertificateOf>& earlier, const std::optional<CertificateOf>& later) {
    const auto found = changes(one_run("SB-1", {{0, item_with(0, 0.03, 0, earlier)}}),
                               one_run("SB-1", {{0, item_with(0, 0.03, 0, later)}}));
    REQUIRE(found.ok());
    return *found->front().standard_k;
  };
  const double apart_k = 0.03 * std::sqrt(2);
  CHECK(standard_k(of_reference, of_reference) == 0);
  for (const CertificateOf& other : {CertificateOf{"SB-REF-03", of_reference.number, of_reference.calibrated},
                                     CertificateOf{of_reference.serial, "SB-REF-02/2026", of_reference.calibrated},
                                     CertificateOf{of_reference.serial, of_reference.number, "2026-03-04"}})
    CHECK(standard_k(of_reference, other) == Approx(apart_k));
  CHECK(standard_k(std::nullopt, std::nullopt) == Approx(apart_k));  // two cards that name nothing
}

TEST_CASE("Of a certificate that served both times there remains what the sensitivities differ by") {
  const auto found = changes(one_run("SB-1", {{0, item_with(0, 0.03, 0, of_reference, 1.1)}}),
                             one_run("SB-1", {{0, item_with(0, 0.03, 0, of_reference, 0.9)}}));
  REQUIRE(found.ok());
  CHECK(*found->front().standard_k == Approx(0.006));
}

TEST_CASE("A setpoint that stands twice is matched in order; gaps leave U unknown") {
  Item gap = item_with(0.5, 0.01, 0.01);
  gap.budget->gaps.push_back("something");
  const auto found = changes(one_run("SB-1", {{15, item_with(0.1, 0.01, 0.01)}, {15, item_with(0.2, 0.01, 0.01)}}),
                             one_run("SB-1", {{15, item_with(0.3, 0.01, 0.01)}, {15, gap}}));
  REQUIRE(found.ok());
  REQUIRE(found->size() == 2);
  CHECK(found->at(0).change_k == Approx(0.2));
  CHECK(found->at(1).change_k == Approx(0.3));
  CHECK_FALSE(found->at(1).expanded_k);
}

TEST_CASE("A plateau come to from below is compared with one come to from below") {
  using enum Direction;
  const auto sided = [](const std::vector<std::pair<Direction, double>>& plateaus) {
    std::vector<std::pair<double, Item>> items;
    for (const auto& [side, error_k] : plateaus) items.emplace_back(15, item_with(error_k, 0.01, 0.01));
    Results out = one_run("SB-1", items);
    for (std::size_t i = 0; i < plateaus.size(); ++i) out.plateaus[i].direction = plateaus[i].first;
    return out;
  };
  // The earlier run skipped its way down. The item reads 0.2 K more on the way up, and has not changed.
  const auto found = changes(sided({{up, 0.3}}), sided({{down, 0.1}, {up, 0.3}}));
  REQUIRE(found.ok());
  REQUIRE(found->size() == 1);
  CHECK(found->at(0).change_k == Approx(0).margin(1e-12));
  CHECK_FALSE(found->at(0).from_both_sides());

  // Where there is no such partner, one of unknown side comes before one of the other side, which is marked.
  const auto unknown_first = changes(sided({{down, 0.1}, {unknown, 0.2}}), sided({{up, 0.3}}));
  REQUIRE(unknown_first.ok());
  CHECK(unknown_first->at(0).change_k == Approx(0.1));
  CHECK_FALSE(unknown_first->at(0).from_both_sides());
  const auto other_side = changes(sided({{down, 0.1}}), sided({{up, 0.3}}));
  REQUIRE(other_side.ok());
  CHECK(other_side->at(0).from_both_sides());
}

TEST_CASE("Runs that share nothing are no comparison") {
  const auto found =
      changes(one_run("SB-1", {{0, item_with(0, 0.01, 0.01)}}), one_run("SB-2", {{0, item_with(0, 0.01, 0.01)}}));
  REQUIRE_FALSE(found.ok());
  CHECK(found.error().code == Errc::not_found);
}
