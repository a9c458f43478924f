#include "results/budget.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "results/days.hpp"
#include "results/hysteresis.hpp"
#include "uncertainty/budget.hpp"

namespace nightwell::results {

namespace {

using uncertainty::Effect;
using uncertainty::Effects;
using uncertainty::Shape;

constexpr const char* from_readings = "this run's readings";

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

// What an input does to the error: kelvin a unit of it, and where it enters.
struct Influence {
  double sensitivity = 1;
  std::vector<Entry> entries;
};

class Lines {
 public:
  Lines(const Plateau& plateau, const Item& item, const BudgetContext& context)
      : plateau_(plateau), item_(item), context_(context) {}

  ItemBudget all() && {
    if (!item_.error_k || !item_.readings.mean_c) return {};
    add_readings();
    const double share = 1.0 / static_cast<double>(plateau_.reference.each.size());
    for (const Readings& reference : plateau_.reference.each) add_reference(reference, -share);
    add_item();
    for (const SharedJunction& junction : junctions_) add_junction(junction);
    for (const CommonError& common : common_) add_common(common);
    add_source();
    return std::move(out_);
  }

 private:
  // A junction channel, and what a kelvin of it does through all thermocouples that it serves here.
  struct SharedJunction {
    const Readings* readings = nullptr;
    Influence kelvin;
  };
  // An effect that a scanner's channels share, and the readings that it is in; `sensitivity`: K of the error a unit of one.
  struct Reading {
    const Channel* channel = nullptr;
    double raw = 0, sensitivity = 0;
  };
  struct CommonError {
    const Effect* effect = nullptr;
    std::vector<Reading> readings;
  };

  [[nodiscard]] const Channel& channel_of(const Readings& readings) const {
    return context_.channels[readings.channel];
  }
  [[nodiscard]] std::size_t index_of(const Channel& channel) const {
    return static_cast<std::size_t>(&channel - context_.channels.data());
  }

  void add(std::string name, std::string unit, Shape shape, double amount, Influence influence, std::string source,
           std::optional<double> degrees = std::nullopt) {
    out_.lines.push_back({std::move(name), std::move(unit), shape, amount, degrees, influence.sensitivity,
                          std::move(influence.entries), std::move(source)});
  }

  // Of a temperature that is in the error `share` times.
  static Influence in_error(double share) { return {share, {{Enters::error, 0, share}}}; }

  void gap(std::string what) {
    if (std::find(out_.gaps.begin(), out_.gaps.end(), what) == out_.gaps.end()) out_.gaps.push_back(std::move(what));
  }

  void add_readings() {
    if (item_.standard_error_k && item_.readings.n > 1)
      add("scatter of item - reference", "K", Shape::normal, *item_.standard_error_k, in_error(1), from_readings,
          static_cast<double>(item_.readings.n - 1));
    else
      gap("fewer than two readings: nothing is known of their scatter");
    // A steady drift cancels in the mean, but not where item and reference follow it at different speeds.
    if (plateau_.reference.drift_k)
      add("drift during the capture", "K", Shape::rectangular, std::abs(*plateau_.reference.drift_k) / 2, in_error(1),
          "half the reference's drift in this run; common practice, no source");
    if (context_.revisited) add_revisited(*context_.revisited);
  }

  void add_revisited(const Revisited& revisited) {
    if (revisited.difference_k)
      add("hysteresis", "K", Shape::rectangular, std::abs(*revisited.difference_k) / 2, in_error(1),
          "half of (mean error come to from below - from above) in this run; common practice, no source");
    // The error of one plateau is reported, not a mean of several: s, not s/√n.
    if (revisited.between_sd_k)
      add("repeatability between plateaus", "K", Shape::normal, *revisited.between_sd_k, in_error(1),
          "this run's plateaus come to from the same side", static_cast<double>(revisited.degrees_of_freedom));
  }

  void add_reference(const Readings& reference, double share) {
    const Channel& channel = channel_of(reference);
    add_certificate(channel, in_error(share));
    if (!reference.mean_c) return;
    add_sensor(reference, in_error(share));
    add_effects(called(channel), context_.lab.references, *reference.mean_c, in_error(share), &channel);
    add_junction_of(reference, share);
  }

  void add_item() {
    const Channel& channel = channel_of(item_.readings);
    const double t_c = *item_.readings.mean_c;
    add_sensor(item_.readings, in_error(1));
    add_effects(called(channel), context_.lab.items, t_c, in_error(1));
    if (const auto more = context_.lab.items_that_measure.find(channel.measures);
        more != context_.lab.items_that_measure.end())
      add_effects(called(channel), more->second, t_c, in_error(1));
    add_junction_of(item_.readings, 1);
  }

  void add_certificate(const Channel& channel, const Influence& kelvin) {
    if (!channel.u95_k) return gap("the card of " + called(channel) + " states no uncertainty");
    add(called(channel) + ": certificate", "K", Shape::normal, *channel.u95_k / 2, kelvin,
        (channel.certificate.empty() ? "card of " + channel.serial : "certificate " + channel.certificate) +
            ", U95 with k = 2");
    if (!channel.certificate.empty() || !channel.calibrated.empty())
      out_.lines.back().certificate = CertificateOf{channel.serial, channel.certificate, channel.calibrated};
  }

  // What every sensor has: its scanner's reading, and what is stated about its serial number.
  void add_sensor(const Readings& readings, const Influence& kelvin) {
    const Channel& channel = channel_of(readings);
    if (!readings.mean_c || !readings.raw_mean) return;
    const auto slope = thermometry::sensitivity_per_k(channel.model, *readings.mean_c);
    if (!slope || *slope == 0) return gap("the sensitivity of " + called(channel) + " is not known here");
    add_scanner({&channel, *readings.raw_mean, kelvin.sensitivity / *slope});
    if (const auto own = context_.lab.sensors.find(channel.serial); own != context_.lab.sensors.end())
      add_effects(called(channel), own->second, *readings.mean_c, kelvin, &channel);
  }

  [[nodiscard]] const Effects* effects_of(const Channel& channel) const {
    const auto scanner = context_.lab.scanners.find(channel.scanner);
    if (scanner == context_.lab.scanners.end()) return nullptr;
    const auto effects = scanner->second.find(channel.measures);
    return effects == scanner->second.end() ? nullptr : &effects->second;
  }

  void add_scanner(const Reading& reading) {
    const std::string& scanner = reading.channel->scanner;
    const Effects* effects = effects_of(*reading.channel);
    if (!effects)
      return gap("the budget states nothing about " + scanner + " reading " +
                 std::string(nightwell::name(reading.channel->measures)));
    for (const Effect& effect : *effects)
      if (effect.each_year)
        gap("\"" + effect.name + "\" of " + scanner +
            " grows with the years, and a scanner has no date of calibration");
      else if (effect.common_to_channels)
        common_error_of(effect).readings.push_back(reading);
      else
        add_reading(effect, reading);
  }

  CommonError& common_error_of(const Effect& effect) {
    for (CommonError& known : common_)
      if (known.effect == &effect) return known;
    return common_.emplace_back(CommonError{&effect, {}});
  }

  void add_reading(const Effect& effect, const Reading& reading) {
    const Channel& channel = *reading.channel;
    add(called(channel) + ", " + channel.scanner + ": " + effect.name, unit_of(channel.measures), effect.shape,
        effect.constant + effect.of_reading * std::abs(reading.raw),
        {reading.sensitivity, {{Enters::raw, index_of(channel), 1}}}, effect.source, effect.degrees_of_freedom);
  }

  // One input for all readings that it is in. A gain goes with the reading's sign.
  void add_common(const CommonError& common) {
    const Effect& effect = *common.effect;
    const Channel& channel = *common.readings.front().channel;
    if (common.readings.size() == 1) return add_reading(effect, common.readings.front());
    const bool gain = effect.of_reading > 0;
    if (gain && effect.constant > 0)
      return gap("\"" + effect.name + "\" of " + channel.scanner +
                 " is common to channels, and half a gain, half an offset");
    Influence influence{0, {}};
    for (const Reading& reading : common.readings) {
      const double each = gain ? reading.raw : 1;
      influence.sensitivity += reading.sensitivity * each;
      influence.entries.push_back({Enters::raw, index_of(*reading.channel), each});
    }
    add(channel.scanner + ", " + std::string(nightwell::name(channel.measures)) + ", common: " + effect.name,
        gain ? "1" : unit_of(channel.measures), effect.shape, gain ? effect.of_reading : effect.constant,
        std::move(influence), effect.source, effect.degrees_of_freedom);
  }

  // `dated`: whose certificate counts the years of an effect that grows with them.
  void add_effects(const std::string& of, const Effects& effects, double t_c, const Influence& kelvin,
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
      add(of + ": " + effect.name, "K", effect.shape, amount, kelvin, effect.source, effect.degrees_of_freedom);
    }
  }

  [[nodiscard]] std::optional<double> years_since(const std::string& date) const {
    const auto then = day_of(date), now = day_of(context_.date);
    if (!then || !now) return std::nullopt;
    return std::max(0.0, static_cast<double>((*now - *then).count()) / days_a_year);
  }

  // How the error follows the junction of a thermocouple that is in it `share` times.
  [[nodiscard]] std::optional<Influence> through_junction(const Readings& readings, double share, double junction_c) {
    const Channel& channel = channel_of(readings);
    const auto there = thermometry::sensitivity_per_k(channel.model, junction_c);
    const auto here = thermometry::sensitivity_per_k(channel.model, *readings.mean_c);
    if (there && here && *here != 0)
      return Influence{share * *there / *here, {{Enters::junction, readings.channel, 1}}};
    gap("the sensitivity of " + called(channel) + " to its junction is not known");
    return std::nullopt;
  }

  void add_junction_of(const Readings& readings, double share) {
    const Channel& channel = channel_of(readings);
    if (const auto* fixed = std::get_if<JunctionFixed>(&channel.junction))
      add_fixed_junction(readings, share, fixed->t_c, "fixed junction");
    else if (std::holds_alternative<JunctionAtZero>(channel.junction))
      add_fixed_junction(readings, share, 0, "instrument's own junction");
    else if (const auto* measured = std::get_if<JunctionChannel>(&channel.junction))
      note_junction(readings, share, measured->channel);
  }

  void add_fixed_junction(const Readings& readings, double share, double t_c, const std::string& called_so) {
    const auto kelvin = through_junction(readings, share, t_c);
    if (!kelvin) return;
    if (context_.lab.junctions.empty()) gap("the budget states nothing about junctions");
    add_effects(called(channel_of(readings)) + ", " + called_so, context_.lab.junctions, t_c, *kelvin);
  }

  // Its lines come later: it may serve a reference as well.
  void note_junction(const Readings& readings, double share, std::size_t junction) {
    const auto found = std::find_if(plateau_.junctions.begin(), plateau_.junctions.end(),
                                    [&](const Readings& one) { return one.channel == junction; });
    if (found == plateau_.junctions.end() || !found->mean_c)
      return gap(called(context_.channels[junction]) + " has no readings");
    const auto kelvin = through_junction(readings, share, *found->mean_c);
    if (!kelvin) return;
    auto known = std::find_if(junctions_.begin(), junctions_.end(),
                              [&](const SharedJunction& one) { return one.readings == &*found; });
    if (known == junctions_.end()) known = junctions_.insert(known, {&*found, {0, {}}});
    known->kelvin.sensitivity += kelvin->sensitivity;
    known->kelvin.entries.push_back(kelvin->entries.front());
  }

  void add_junction(const SharedJunction& junction) {
    const Channel& channel = channel_of(*junction.readings);
    add_certificate(channel, junction.kelvin);
    add_sensor(*junction.readings, junction.kelvin);
    add_effects(called(channel), context_.lab.junctions, *junction.readings->mean_c, junction.kelvin, &channel);
  }

  void add_source() {
    const auto source = context_.lab.sources.find(plateau_.source);
    if (source == context_.lab.sources.end()) return gap("the budget states nothing about source " + plateau_.source);
    add_effects(plateau_.source, source->second, plateau_.setpoint_c, in_error(1));
  }

  const Plateau& plateau_;
  const Item& item_;
  const BudgetContext& context_;
  std::vector<SharedJunction> junctions_;
  std::vector<CommonError> common_;
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
