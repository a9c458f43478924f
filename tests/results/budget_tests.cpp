// The lines of an item's budget, against figures worked out by hand; what is missing is named and decides nothing.
#include <catch2/catch.hpp>
#include <cmath>

#include "results/budget.hpp"
#include "thermometry/tolerance.hpp"
#include "uncertainty/budget.hpp"

using namespace nightwell;
using namespace nightwell::results;
using uncertainty::Effect;
using uncertainty::Shape;

namespace {

Channel sensor(const std::string& name, Role role, thermometry::SensorModel model) {
  Channel out;
  out.name = name;
  out.serial = "SB-" + name;
  out.role = role;
  out.scanner = "s1";
  out.measures = thermometry::quantity(model);
  out.model = std::move(model);
  return out;
}

Readings read(std::size_t channel, double raw, double mean_c) {
  Readings out;
  out.channel = channel;
  out.n = 10;
  out.raw_mean = raw;
  out.mean_c = mean_c;
  return out;
}

Effect effect(const std::string& name, Shape shape, double constant, double of_reading = 0) {
  return {name, shape, constant, of_reading, std::nullopt, false, "a test"};
}

// Channel 0: a Pt100 reference; 1: a Pt100; 2: a type K thermocouple on junction channel 3, a Pt100. All at 100 °C, the
// junction at 20 °C.
struct Bench {
  std::vector<Channel> channels;
  uncertainty::LabBudget lab;
  Plateau plateau;

  Bench() {
    channels = {sensor("ref", Role::reference, thermometry::Platinum{}),
                sensor("pt", Role::item, thermometry::Platinum{}),
                sensor("tc", Role::item, thermometry::Thermocouple{thermometry::ThermocoupleType::k, {}}),
                sensor("block", Role::junction, thermometry::Platinum{})};
    channels[0].u95_k = 0.010;
    channels[0].certificate = "C-1";
    channels[0].calibrated = "2024-11-25";
    channels[2].junction = JunctionChannel{3};
    channels[3].u95_k = 0.050;
    lab.scanners["s1"][Quantity::resistance] = {effect("accuracy", Shape::rectangular, 0.001, 1e-5)};
    lab.scanners["s1"][Quantity::voltage] = {effect("accuracy", Shape::rectangular, 1e-6)};
    lab.sources["bath"] = {effect("axial", Shape::u_shaped, 0.004)};
    plateau.setpoint_c = 100;
    plateau.source = "bath";
    plateau.reference.each = {read(0, 138.5055, 100)};
    plateau.reference.drift_k = -0.002;
    plateau.items = {item(1, 138.5055), item(2, 3.2977e-3)};
    plateau.junctions = {read(3, 107.7935, 20)};
  }

  static Item item(std::size_t channel, double raw) {
    Item out;
    out.readings = read(channel, raw, 100);
    out.error_k = 0.1;
    out.standard_error_k = 0.0005;
    return out;
  }

  ItemBudget budget(std::size_t index, const Revisited* revisited = nullptr) const {
    ItemBudget out = budget_of(plateau, plateau.items[index], {channels, lab, "2026-11-25", revisited});
    REQUIRE(combine(out, 0.9545).ok());
    return out;
  }
};

const BudgetLine& line(const ItemBudget& budget, const std::string& part) {
  for (const auto& one : budget.lines)
    if (one.name.find(part) != std::string::npos) return one;
  FAIL("no line with " << part);
  return budget.lines.front();
}

}  // namespace

TEST_CASE("A resistance thermometer's budget, line by line") {
  const Bench bench;
  const ItemBudget budget = bench.budget(0);
  CHECK(budget.gaps.empty());
  REQUIRE(budget.lines.size() == 6);
  // IEC 60751 at 100 °C: dR/dt = 100 (3.9083e-3 - 2 x 5.775e-7 x 100) = 0.37928 ohm/K.
  const double k_per_ohm = 1 / 0.37928;
  CHECK(line(budget, "scatter").contribution_k == Approx(0.0005));
  CHECK(line(budget, "scatter").degrees_of_freedom == 9.0);
  CHECK(line(budget, "drift").contribution_k == Approx(0.001 / std::sqrt(3)));
  CHECK(line(budget, "certificate").contribution_k == Approx(0.005));
  CHECK(line(budget, "certificate").sensitivity == -1);
  CHECK(line(budget, "certificate").certificate == CertificateOf{"SB-ref", "C-1", "2024-11-25"});
  const double amount_ohm = 0.001 + 1e-5 * 138.5055;
  CHECK(line(budget, "item SB-pt, s1: accuracy").amount == Approx(amount_ohm));
  CHECK(line(budget, "item SB-pt, s1: accuracy").sensitivity == Approx(k_per_ohm));
  CHECK(line(budget, "reference SB-ref, s1: accuracy").sensitivity == Approx(-k_per_ohm));
  CHECK(line(budget, "bath: axial").contribution_k == Approx(0.004 / std::sqrt(2)));
  const double scanner_k = amount_ohm * k_per_ohm / std::sqrt(3);
  const double u = std::sqrt(0.0005 * 0.0005 + 1e-6 / 3 + 25e-6 + 2 * scanner_k * scanner_k + 8e-6);
  CHECK(*budget.standard_k == Approx(u));
  CHECK(*budget.expanded_k == Approx(2 * u).epsilon(1e-3));
}

TEST_CASE("A thermocouple follows its junction with the ratio of the sensitivities") {
  const Bench bench;
  const ItemBudget budget = bench.budget(1);
  CHECK(budget.gaps.empty());
  // Seebeck coefficients of type K: 41.37 uV/K at 100 °C and 40.27 uV/K at 20 °C (NIST SRD 60 table: 4.096 -> 4.138 mV
  // from 100 to 101 °C, 0.798 -> 0.838 mV from 20 to 21 °C, to its rounding).
  CHECK(line(budget, "junction SB-block: certificate").sensitivity == Approx(40.27 / 41.37).epsilon(0.002));
  CHECK_FALSE(line(budget, "junction SB-block: certificate").certificate);  // its card names neither number nor date
  CHECK(line(budget, "item SB-tc, s1").sensitivity == Approx(1 / 41.37e-6).epsilon(0.002));
  CHECK(line(budget, "item SB-tc, s1").unit == "V");
  // dR/dt at 20 °C = 0.388520 ohm/K.
  CHECK(line(budget, "junction SB-block, s1").sensitivity == Approx(40.27 / 41.37 / 0.38852).epsilon(0.002));
}

TEST_CASE("A scanner's error that its channels share is one input: it cancels between reference and item of one kind") {
  Bench bench;
  Effect offset = effect("offset", Shape::rectangular, 0.004), gain = effect("gain", Shape::normal, 0, 2e-5);
  offset.common_to_channels = gain.common_to_channels = true;
  bench.lab.scanners["s1"][Quantity::resistance] = {offset, gain, effect("noise", Shape::normal, 0.001)};
  const ItemBudget budget = bench.budget(0);
  CHECK(budget.gaps.empty());
  // The same sensor at the same resistance: nothing is left of either.
  const BudgetLine& shared = line(budget, "s1, resistance, common: gain");
  CHECK(shared.unit == "1");
  CHECK(shared.amount == 2e-5);
  CHECK(shared.sensitivity == Approx(0).margin(1e-9));
  REQUIRE(shared.entries.size() == 2);
  CHECK(shared.entries[0].channel == 0);
  CHECK(shared.entries[1].each == Approx(138.5055));
  CHECK(line(budget, "common: offset").sensitivity == Approx(0).margin(1e-9));
  CHECK(line(budget, "common: offset").unit == "ohm");
  CHECK(line(budget, "item SB-pt, s1: noise").contribution_k == Approx(0.001 / 0.37928));
  CHECK(line(budget, "reference SB-ref, s1: noise").contribution_k == Approx(0.001 / 0.37928));
}

TEST_CASE("An error that one reading alone is in stands as if nobody shared it") {
  Bench bench;
  bench.lab.scanners["s1"][Quantity::voltage][0].common_to_channels = true;
  const ItemBudget budget = bench.budget(1);
  CHECK(line(budget, "item SB-tc, s1: accuracy").amount == 1e-6);
}

TEST_CASE("One input through all its entries is what full correlation of separate lines gives") {
  // Item, reference and the junction's own reading, all three ohms of one scanner; by GUM 5.2.2 with r = 1 the same.
  for (const bool thermocouple : {false, true}) {
    Bench bench;
    auto& effects = bench.lab.scanners["s1"][Quantity::resistance];
    effects = {effect("gain", Shape::rectangular, 0, 1e-4)};
    const ItemBudget apart = bench.budget(thermocouple ? 1 : 0);
    effects[0].common_to_channels = true;
    const ItemBudget shared = bench.budget(thermocouple ? 1 : 0);
    std::vector<uncertainty::BudgetLine> lines;
    std::vector<std::size_t> places;
    for (const BudgetLine& one : apart.lines) {
      if (one.name.find(": gain") != std::string::npos) places.push_back(lines.size());
      lines.push_back(
          {one.name, one.unit, *uncertainty::Distribution::of(one.shape, one.amount, 1e9), one.sensitivity});
    }
    REQUIRE(places.size() == 2);
    const auto correlated =
        uncertainty::combine(lines, std::vector<uncertainty::Correlation>{{places[0], places[1], 1}});
    REQUIRE(correlated.ok());
    CHECK(*shared.standard_k == Approx(correlated->standard_uncertainty).epsilon(1e-6));
    CHECK(*shared.standard_k < *apart.standard_k);
  }
}

TEST_CASE("Where the sensitivities have the same sign, a shared error is larger than independence says") {
  Effect gain = effect("gain", Shape::normal, 0, 1e-4);
  const auto standard_k = [&](Bench bench, bool common) {
    gain.common_to_channels = common;
    bench.lab.scanners["s1"][Quantity::resistance] = {gain};
    bench.lab.scanners["s2"][Quantity::resistance] = {effect("gain", Shape::normal, 0, 0)};
    const ItemBudget budget = bench.budget(0);
    double square = 0;
    for (const BudgetLine& one : budget.lines)
      if (one.name.find(": gain") != std::string::npos) square += one.contribution_k * one.contribution_k;
    return std::sqrt(square);
  };
  // A thermistor falls where the reference rises: (R/|dR/dt|) of both add up.
  Bench falling;
  const thermometry::Thermistor thermistor{1.129241e-3, 2.341077e-4, 8.775468e-8, -40, 120};
  falling.channels[1].model = thermistor;
  const double ohm = *thermometry::raw_value(thermistor, 100, std::nullopt);
  falling.plateau.items[0].readings.raw_mean = ohm;
  const double item_k = 1e-4 * ohm / std::abs(*thermometry::sensitivity_per_k(thermistor, 100));
  const double reference_k = 1e-4 * 138.5055 / 0.37928;
  CHECK(standard_k(falling, true) == Approx(item_k + reference_k).epsilon(1e-4));
  CHECK(standard_k(falling, false) == Approx(std::hypot(item_k, reference_k)).epsilon(1e-4));
  // Two references on one scanner, the item on another: the mean of both is no better than one.
  Bench two;
  two.channels[1].scanner = "s2";
  two.channels.push_back(two.channels[0]);
  two.plateau.reference.each.push_back(read(4, 138.5055, 100));
  CHECK(standard_k(two, true) == Approx(reference_k).epsilon(1e-4));
  CHECK(standard_k(two, false) == Approx(reference_k / std::sqrt(2)).epsilon(1e-4));
}

TEST_CASE("A gain goes with the sign of the reading") {
  // Two thermocouples with their junctions at 25 °C, one half a kelvin warmer, one half a kelvin colder.
  Bench bench;
  const thermometry::SensorModel type_k = thermometry::Thermocouple{thermometry::ThermocoupleType::k, {}};
  bench.channels[0].model = bench.channels[1].model = type_k;
  bench.channels[0].measures = bench.channels[1].measures = Quantity::voltage;
  bench.channels[0].junction = bench.channels[1].junction = JunctionFixed{25};
  const double warm_v = *thermometry::raw_value(type_k, 25.5, 25.0),
               cold_v = *thermometry::raw_value(type_k, 24.5, 25.0);
  bench.plateau.reference.each = {read(0, warm_v, 25.5)};
  bench.plateau.items[0].readings = read(1, cold_v, 24.5);
  bench.lab.junctions = {effect("junction", Shape::rectangular, 0.001)};
  Effect gain = effect("gain", Shape::normal, 0, 1e-3);
  gain.common_to_channels = true;
  bench.lab.scanners["s1"][Quantity::voltage] = {gain};
  // +20 µV read too high, -20 µV read too low: the error is out by both, 1e-3 of 0.5 K each.
  CHECK(line(bench.budget(0), "common: gain").contribution_k == Approx(1e-3).epsilon(0.01));
}

TEST_CASE("A junction that serves reference and item is one input, and cancels between thermocouples of one type") {
  Bench bench;
  bench.channels[0] = sensor("ref", Role::reference, thermometry::Thermocouple{thermometry::ThermocoupleType::k, {}});
  bench.channels[0].u95_k = 0.2;
  bench.channels[0].junction = JunctionChannel{3};
  bench.plateau.reference.each = {read(0, 3.2977e-3, 100)};
  const ItemBudget budget = bench.budget(1);
  CHECK(budget.gaps.empty());
  CHECK(line(budget, "junction SB-block: certificate").entries.size() == 2);
  CHECK(line(budget, "junction SB-block: certificate").sensitivity == Approx(0).margin(1e-9));
  // Against a Pt100 item it is the reference's alone, and lowers the error.
  CHECK(line(bench.budget(0), "junction SB-block: certificate").sensitivity == Approx(-40.27 / 41.37).epsilon(0.002));
}

TEST_CASE("An effect of a scanner that grows with the years has no date to count from: a gap") {
  Bench bench;
  bench.lab.scanners["s1"][Quantity::resistance][0].each_year = true;
  const ItemBudget budget = bench.budget(0);
  REQUIRE(budget.gaps.size() == 1);
  CHECK(budget.gaps[0].find("grows with the years") != std::string::npos);
}

TEST_CASE("Two references share the weight") {
  Bench bench;
  bench.channels.push_back(bench.channels[0]);
  bench.channels.back().serial = "SB-ref-2";
  bench.plateau.reference.each.push_back(read(4, 138.5055, 100));
  const ItemBudget budget = bench.budget(0);
  CHECK(line(budget, "reference SB-ref: certificate").sensitivity == -0.5);
  CHECK(line(budget, "reference SB-ref-2: certificate").sensitivity == -0.5);
}

TEST_CASE("What grows with the years counts them from the certificate; what belongs to one serial number stays there") {
  Bench bench;
  bench.lab.references = {effect("drift", Shape::rectangular, 0.003)};
  bench.lab.references[0].each_year = true;
  bench.lab.sensors["SB-pt"] = {effect("leads", Shape::normal, 0.002)};
  const ItemBudget budget = bench.budget(0);
  CHECK(line(budget, "SB-ref: drift").amount == Approx(0.006).epsilon(0.001));  // two years
  CHECK(line(budget, "SB-pt: leads").contribution_k == Approx(0.002));
  CHECK(bench.budget(1).lines.size() + 0 == 8 + 1);  // no leads for the other item, the references' drift for both
}

TEST_CASE(
    "A setpoint come to again: half the difference of both sides as limits, the spread of one side as a line of its "
    "own") {
  const Bench bench;
  Revisited revisited;
  revisited.difference_k = -0.012;
  const ItemBudget two_sides = bench.budget(0, &revisited);
  CHECK(line(two_sides, "hysteresis").contribution_k == Approx(0.006 / std::sqrt(3)));
  CHECK(two_sides.lines.size() == 7);
  revisited = {};
  revisited.between_sd_k = 0.003;
  revisited.degrees_of_freedom = 2;
  const ItemBudget one_side = bench.budget(0, &revisited);
  CHECK(line(one_side, "repeatability between plateaus").contribution_k == Approx(0.003));
  CHECK(line(one_side, "repeatability between plateaus").degrees_of_freedom == 2.0);
  CHECK(one_side.lines.size() == 7);
}

TEST_CASE("What nobody stated is a gap, and a gap decides nothing") {
  Bench bench;
  bench.channels[0].u95_k.reset();
  bench.lab.scanners.clear();
  bench.lab.sources.clear();
  bench.plateau.items[0].standard_error_k.reset();
  Results results;
  results.channels = bench.channels;
  results.channels[1].tolerance = thermometry::OwnTolerance{5, 0};
  results.opened_utc = "2026-11-25T20:00:00.000000Z";
  results.lab_budget = bench.lab;
  results.plateaus = {bench.plateau};
  REQUIRE(add_budgets(results).ok());
  const Item& item = results.plateaus[0].items[0];
  REQUIRE(item.budget);
  CHECK(item.budget->gaps == std::vector<std::string>{"fewer than two readings: nothing is known of their scatter",
                                                      "the card of reference SB-ref states no uncertainty",
                                                      "the budget states nothing about s1 reading resistance",
                                                      "the budget states nothing about source bath"});
  REQUIRE(item.verdict);
  CHECK(item.verdict->answer == Answer::not_decided);
  CHECK_FALSE(item.verdict->why.empty());
}

TEST_CASE("Verdicts by the card's tolerance at the setpoint") {
  Bench bench;
  Item item = bench.plateau.items[0];
  item.budget = bench.budget(0);
  Channel& channel = bench.channels[1];
  CHECK_FALSE(*verdict_of(item, channel, 100, bench.lab.rule));
  channel.tolerance =
      thermometry::Iec60751Tolerance{thermometry::Iec60751Class::a, thermometry::PlatinumBuild::wire_wound};
  const auto within = verdict_of(item, channel, 100, bench.lab.rule);
  REQUIRE((within.ok() && within->has_value()));
  CHECK((*within)->answer == Answer::within);
  CHECK(*(*within)->limit_k == Approx(0.35));  // 0.15 + 0.002 x 100: IEC 60751:2022 table 2, class A
  CHECK(*(*within)->conformance == Approx(1.0));
  item.error_k = 0.345;
  CHECK((*verdict_of(item, channel, 100, bench.lab.rule))->answer == Answer::not_decided);
  item.error_k = -0.5;
  CHECK((*verdict_of(item, channel, 100, bench.lab.rule))->answer == Answer::outside);
  // Beyond the class's range nothing is decided, and it is said why.
  const auto beyond = verdict_of(item, channel, 500, bench.lab.rule);
  CHECK((*beyond)->answer == Answer::not_decided);
  CHECK_FALSE((*beyond)->why.empty());
}
