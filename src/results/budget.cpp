#include "results/budget.hpp"

#include <algorithm>
#include <charconv>
#include <chrono>
#include <cmath>
#include <utility>

#include "results/hysteresis.hpp"
#include "uncertainty/budget.hpp"

namespace nightwell::results {

namespace {

using uncertainty::Effect;
using uncertainty::Effects;
using uncertainty::Shape;

constexpr const char* from_readings = "this run's readings";
constexpr double days_a_year = 365.25;

std::optional<std::chrono::sys_days> day_of(std::string_view date) {
  int year = 0;
  unsigned month = 0, day = 0;
  if (date.size() < 10) return std::nullopt;
  std::from_chars(date.data(), date.data() + 4, year);
  std::from_chars(date.data() + 5, date.data() + 7, month);
  std::from_chars(date.data() + 8, date.data() + 10, day);
  const std::chrono::year_month_day found{std::chrono::year(year), std::chrono::month(month), std::chrono::day(day)};
  if (!found.ok()) return std::nullopt;
  return std::chrono::sys_days(found);
}

std::string unit_of(Quantity quantity) {
  switch (quantity) {
    case Quantity::voltage: return "V";
    case Quantity::resistance: return "ohm";
    case Quantity::current: return "A";
    case Quantity::temperature: return "K";
  }
  return "";
}

std::string called(const Channel& channel) {
  return std::string(name(channel.role)) + " " + (channel.serial.empty() ? channel.name : channel.serial);
}

class Lines {
 public:
  Lines(const Plateau& plateau, const Item& item, const BudgetContext& context)
      : plateau_(plateau), item_(item), context_(context), channel_(context.channels[item.readings.channel]) {}

  ItemBudget all() && {
    if (!item_.error_k || !item_.readings.mean_c) return {};
    add_readings();
    const double share = 1.0 / static_cast<double>(plateau_.reference.each.size());
    for (const Readings& reference : plateau_.reference.each) add_reference(reference, share);
    add_sensor(channel_, item_.readings, 1);
    add_effects(called(channel_), context_.lab.items, *item_.readings.mean_c, 1);
    if (const auto more = context_.lab.items_that_measure.find(channel_.measures);
        more != context_.lab.items_that_measure.end())
      add_effects(called(channel_), more->second, *item_.readings.mean_c, 1);
    std::visit([&](const auto& junction) { add_junction(junction); }, channel_.junction);
    add_source();
    return std::move(out_);
  }

 private:
  void add(std::string name, std::string unit, Shape shape, double amount, double sensitivity, std::string source,
           std::optional<double> degrees = std::nullopt) {
    out_.lines.push_back(
        {std::move(name), std::move(unit), shape, amount, degrees, sensitivity, enters_, entering_, std::move(source)});
  }

  void gap(std::string what) {
    if (std::find(out_.gaps.begin(), out_.gaps.end(), what) == out_.gaps.end()) out_.gaps.push_back(std::move(what));
  }

  void add_readings() {
    if (item_.standard_error_k && item_.readings.n > 1)
      add("scatter of item - reference", "K", Shape::normal, *item_.standard_error_k, 1, from_readings,
          static_cast<double>(item_.readings.n - 1));
    else
      gap("fewer than two readings: nothing is known of their scatter");
    // A steady drift cancels in the mean, but not where item and reference follow it at different speeds.
    if (plateau_.reference.drift_k)
      add("drift during the capture", "K", Shape::rectangular, std::abs(*plateau_.reference.drift_k) / 2, 1,
          "half the reference's drift in this run; common practice, no source");
    if (context_.revisited) add_revisited(*context_.revisited);
  }

  void add_revisited(const Revisited& revisited) {
    if (revisited.difference_k)
      add("hysteresis", "K", Shape::rectangular, std::abs(*revisited.difference_k) / 2, 1,
          "half of (mean error come to from below - from above) in this run; common practice, no source");
    // The error of one plateau is reported, not a mean of several: s, not s/√n.
    if (revisited.between_sd_k)
      add("repeatability between plateaus", "K", Shape::normal, *revisited.between_sd_k, 1,
          "this run's plateaus come to from the same side", static_cast<double>(revisited.degrees_of_freedom));
  }

  void add_reference(const Readings& reference, double share) {
    const Channel& channel = context_.channels[reference.channel];
    if (channel.u95_k)
      add(called(channel) + ": certificate", "K", Shape::normal, *channel.u95_k / 2, -share,
          "certificate " + channel.certificate + ", U95 with k = 2");
    else
      gap("the card of " + called(channel) + " states no uncertainty");
    add_sensor(channel, reference, -share);
    if (reference.mean_c) add_effects(called(channel), context_.lab.references, *reference.mean_c, -share, &channel);
  }

  // What every sensor has: its scanner's reading, and what is stated about its serial number.
  void add_sensor(const Channel& channel, const Readings& readings, double share) {
    if (!readings.mean_c || !readings.raw_mean) return;
    const auto slope = thermometry::sensitivity_per_k(channel.model, *readings.mean_c);
    if (!slope || *slope == 0) return gap("the sensitivity of " + called(channel) + " is not known here");
    add_scanner(channel, *readings.raw_mean, share / *slope);
    if (const auto own = context_.lab.sensors.find(channel.serial); own != context_.lab.sensors.end())
      add_effects(called(channel), own->second, *readings.mean_c, share, &channel);
  }

  void add_scanner(const Channel& channel, double raw, double sensitivity) {
    const auto scanner = context_.lab.scanners.find(channel.scanner);
    const auto effects = scanner == context_.lab.scanners.end() ? decltype(scanner->second.find(channel.measures)){}
                                                                : scanner->second.find(channel.measures);
    if (scanner == context_.lab.scanners.end() || effects == scanner->second.end())
      return gap("the budget states nothing about " + channel.scanner + " reading " +
                 std::string(nightwell::name(channel.measures)));
    const auto kelvin_enters = std::exchange(enters_, channel.role == Role::item        ? Enters::item_raw
                                                      : channel.role == Role::reference ? Enters::reference_raw
                                                                                        : Enters::junction_raw);
    entering_ = static_cast<std::size_t>(&channel - context_.channels.data());
    for (const Effect& effect : effects->second)
      add(called(channel) + ", " + channel.scanner + ": " + effect.name, unit_of(channel.measures), effect.shape,
          effect.constant + effect.of_reading * std::abs(raw), sensitivity, effect.source, effect.degrees_of_freedom);
    enters_ = kelvin_enters;
  }

  // `dated`: whose certificate counts the years of an effect that grows with them.
  void add_effects(const std::string& of, const Effects& effects, double t_c, double share,
                   const Channel* dated = nullptr) {
    for (const Effect& effect : effects) {
      double amount = effect.constant + effect.of_reading * std::abs(t_c);
      if (effect.each_year) {
        const auto years = dated ? years_since(dated->calibrated) : std::nullopt;
        if (!years) {
          gap("\"" + effect.name + "\" of " + of + " grows with the years, and the card has no date of calibration");
          continue;
        }
        amount *= *years;
      }
      add(of + ": " + effect.name, "K", effect.shape, amount, share, effect.source, effect.degrees_of_freedom);
    }
  }

  [[nodiscard]] std::optional<double> years_since(const std::string& date) const {
    const auto then = day_of(date), now = day_of(context_.date);
    if (!then || !now) return std::nullopt;
    return std::max(0.0, static_cast<double>((*now - *then).count()) / days_a_year);
  }

  // How the item's temperature follows its junction's.
  [[nodiscard]] std::optional<double> junction_share(double junction_c) {
    const auto there = thermometry::sensitivity_per_k(channel_.model, junction_c);
    const auto here = thermometry::sensitivity_per_k(channel_.model, *item_.readings.mean_c);
    if (there && here && *here != 0) return *there / *here;
    gap("the sensitivity of " + called(channel_) + " to its junction is not known");
    return std::nullopt;
  }

  void add_junction(const NoJunction&) {}
  void add_junction(const JunctionFixed& junction) { add_fixed_junction(junction.t_c, "fixed junction"); }
  void add_junction(const JunctionAtZero&) { add_fixed_junction(0, "instrument's own junction"); }

  void add_fixed_junction(double t_c, const std::string& called_so) {
    const auto share = junction_share(t_c);
    if (!share) return;
    if (context_.lab.junctions.empty()) gap("the budget states nothing about junctions");
    enters_ = Enters::junction;
    add_effects(called_so, context_.lab.junctions, t_c, *share);
    enters_ = Enters::difference;
  }

  void add_junction(const JunctionChannel& junction) {
    const Channel& channel = context_.channels[junction.channel];
    const auto readings = std::find_if(plateau_.junctions.begin(), plateau_.junctions.end(),
                                       [&](const Readings& one) { return one.channel == junction.channel; });
    if (readings == plateau_.junctions.end() || !readings->mean_c) return gap(called(channel) + " has no readings");
    const auto share = junction_share(*readings->mean_c);
    if (!share) return;
    enters_ = Enters::junction;
    if (channel.u95_k)
      add(called(channel) + ": certificate", "K", Shape::normal, *channel.u95_k / 2, *share,
          "card of " + channel.serial + ", U95 with k = 2");
    else
      gap("the card of " + called(channel) + " states no uncertainty");
    add_sensor(channel, *readings, *share);
    add_effects(called(channel), context_.lab.junctions, *readings->mean_c, *share, &channel);
    enters_ = Enters::difference;
  }

  void add_source() {
    const auto source = context_.lab.sources.find(plateau_.source);
    if (source == context_.lab.sources.end()) return gap("the budget states nothing about source " + plateau_.source);
    add_effects(plateau_.source, source->second, plateau_.setpoint_c, 1);
  }

  const Plateau& plateau_;
  const Item& item_;
  const BudgetContext& context_;
  const Channel& channel_;
  Enters enters_ = Enters::difference;  // of the lines that are added now
  std::size_t entering_ = 0;
  ItemBudget out_;
};

}  // namespace

ItemBudget budget_of(const Plateau& plateau, const Item& item, const BudgetContext& context) {
  return Lines(plateau, item, context).all();
}

Result<void> combine(ItemBudget& budget, double coverage) {
  std::vector<uncertainty::BudgetLine> lines;
  for (BudgetLine& line : budget.lines) {
    const auto distribution = uncertainty::Distribution::of(
        line.shape, line.amount, line.degrees_of_freedom.value_or(uncertainty::infinite_degrees_of_freedom));
    if (!distribution) return distribution.error();
    lines.push_back({line.name, line.unit, *distribution, line.sensitivity, line.source});
  }
  const auto found = uncertainty::combine(lines, {}, {coverage, uncertainty::Truncation::to_lower_integer, false});
  if (!found) return found.error();
  for (std::size_t i = 0; i < lines.size(); ++i) budget.lines[i].contribution_k = found->contributions[i];
  budget.coverage = coverage;
  budget.standard_k = found->standard_uncertainty;
  if (std::isfinite(found->effective_degrees_of_freedom))
    budget.degrees_of_freedom = found->effective_degrees_of_freedom;
  budget.factor = found->coverage_factor;
  budget.expanded_k = found->expanded_uncertainty;
  return {};
}

Result<std::optional<Verdict>> verdict_of(const Item& item, const Channel& channel, double setpoint_c,
                                          const uncertainty::DecisionRule& rule) {
  if (!channel.tolerance || !item.budget || !item.error_k || !item.budget->expanded_k) return std::optional<Verdict>();
  Verdict out;
  out.tolerance = thermometry::name(*channel.tolerance);
  const auto limit_k = thermometry::limit_k(*channel.tolerance, setpoint_c);
  if (!limit_k) {
    out.why = limit_k.error().text();
    return std::optional(out);
  }
  out.limit_k = *limit_k;
  const auto found = uncertainty::decide({-*limit_k, *limit_k},
                                         {*item.error_k, *item.budget->standard_k, *item.budget->expanded_k}, rule);
  if (!found) return found.error();
  out.conformance = found->probability_of_conformance;
  const bool looks_at_uncertainty = rule.kind != uncertainty::RuleKind::simple_acceptance;
  if (looks_at_uncertainty && !item.budget->gaps.empty())
    out.why = "its uncertainty is known to be too small";
  else
    out.answer = found->verdict;
  return std::optional(out);
}

Result<void> add_budgets(Results& results) {
  if (!results.lab_budget) return {};
  const auto& lab = *results.lab_budget;
  for (Plateau& plateau : results.plateaus)
    for (Item& item : plateau.items) {
      const std::size_t channel = item.readings.channel;
      ItemBudget budget = budget_of(
          plateau, item,
          {results.channels, lab, results.opened_utc.substr(0, 10), revisited_at(results.revisited, channel, plateau)});
      if (budget.lines.empty()) continue;
      if (auto combined = combine(budget, lab.coverage); !combined) return combined.error();
      item.budget = std::move(budget);
      auto verdict = verdict_of(item, results.channels[channel], plateau.setpoint_c, lab.rule);
      if (!verdict) return verdict.error();
      item.verdict = std::move(verdict).value();
    }
  return {};
}

}  // namespace nightwell::results
