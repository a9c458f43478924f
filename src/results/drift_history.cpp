#include "results/drift_history.hpp"

#include <algorithm>
#include <cmath>

#include "plan/sensor_json.hpp"
#include "results/days.hpp"
#include "thermometry/faults.hpp"
#include "thermometry/triple_point.hpp"

namespace nightwell::results {

namespace {

using thermometry::SensorModel;
using thermometry::TemperatureSpan;

constexpr const char* history = "history of a sensor";
constexpr std::size_t most_certificates = 1000;
constexpr double junction_at_zero_c = 0;
constexpr double end_slack_c = 1e-9;  // 692.677 K is the end of a range that ends at 419.527 °C

Error not_a_history(const Certificate& card, std::string detail, const std::string& key = "") {
  return {Errc::bad_input, history, std::move(detail), card.file + (key.empty() ? "" : ": " + key)};
}

std::string degrees(double t_c) {
  return thermometry::number(t_c) + " °C";
}

std::string kind_of(const SensorModel& model) {
  const auto json = plan::model_json(model);
  const auto type = json.find("type");  // of a thermocouple
  return json["kind"].get<std::string>() + (type == json.end() ? "" : " " + type->get<std::string>());
}

Result<void> check_one_sensor(const std::vector<Certificate>& cards) {
  if (cards.size() < 2 || cards.size() > most_certificates)
    return Error{Errc::bad_input, history,
                 "it takes 2 to " + std::to_string(most_certificates) + " cards, not " + std::to_string(cards.size()),
                 ""};
  const Certificate& first = cards.front();
  for (const Certificate& card : cards) {
    if (card.serial != first.serial)
      return not_a_history(
          card,
          "found " + card.serial + ", but " + first.file + " is of " + first.serial + ": a history is of one sensor",
          "/serial");
    if (std::holds_alternative<thermometry::Indicated>(card.model))
      return not_a_history(card, "an indicated temperature has no coefficients that could move", "/model");
    if (kind_of(card.model) != kind_of(first.model))
      return not_a_history(card,
                           "found " + kind_of(card.model) + ", but " + first.file + " has " + kind_of(first.model) +
                               ": the same kind of model is needed",
                           "/model");
    if (!day_of(card.calibrated)) return not_a_history(card, "found no date: a history needs it", "/calibrated");
  }
  return {};
}

// Oldest first.
Result<void> sort_by_date(std::vector<Certificate>& cards) {
  std::stable_sort(cards.begin(), cards.end(),
                   [](const Certificate& a, const Certificate& b) { return a.calibrated < b.calibrated; });
  const auto twice = std::adjacent_find(cards.begin(), cards.end(), [](const Certificate& a, const Certificate& b) {
    return a.calibrated == b.calibrated;
  });
  if (twice == cards.end()) return {};
  return not_a_history(*(twice + 1),
                       "found " + twice->calibrated + ", the date of " + twice->file + " too: which is later?",
                       "/calibrated");
}

Result<TemperatureSpan> common_range(const std::vector<Certificate>& cards) {
  TemperatureSpan out{-HUGE_VAL, HUGE_VAL};
  for (const Certificate& card : cards) {
    const TemperatureSpan model = thermometry::span(card.model);
    out.low_c = std::max({out.low_c, card.limits.low_c, model.low_c});
    out.high_c = std::min({out.high_c, card.limits.high_c, model.high_c});
  }
  if (out.low_c < out.high_c) return out;
  return Error{Errc::bad_input, history, "the ranges of its cards (limits of use and model) have nothing in common",
               ""};
}

// The fixed point that laboratories watch such a sensor at.
std::optional<double> watched_at_c(const SensorModel& model) {
  if (std::holds_alternative<thermometry::Platinum>(model)) return 0.0;
  if (std::holds_alternative<thermometry::Sprt>(model)) return 0.01;
  return std::nullopt;
}

std::vector<double> usual_points(const TemperatureSpan& range, const SensorModel& model) {
  constexpr int steps = 4;
  constexpr double beside_c = 0.05;  // two lines that near say the same
  const double step = (range.high_c - range.low_c) / steps;
  std::vector<double> out;
  for (int i = 0; i <= steps; ++i) {
    const double t_c = i == steps ? range.high_c : range.low_c + i * step;
    const bool whole_degree = i > 0 && i < steps && step >= 2;
    out.push_back(whole_degree ? std::round(t_c) : t_c);
  }
  const auto watched = watched_at_c(model);
  if (!watched || *watched < range.low_c || *watched > range.high_c) return out;
  std::erase_if(out, [&](double t_c) { return std::abs(t_c - *watched) < beside_c; });
  out.insert(std::upper_bound(out.begin(), out.end(), *watched), *watched);
  return out;
}

Result<std::vector<double>> points_in(const TemperatureSpan& range, std::vector<double> at_c,
                                      const SensorModel& model) {
  if (at_c.empty()) return usual_points(range, model);
  for (double& t_c : at_c) {
    if (!(t_c >= range.low_c - end_slack_c && t_c <= range.high_c + end_slack_c))
      return Error{Errc::out_of_range, history,
                   degrees(t_c) + " is outside " + degrees(range.low_c) + " to " + degrees(range.high_c) +
                       ", which all its cards have in common",
                   ""};
    t_c = std::clamp(t_c, range.low_c, range.high_c);
  }
  return at_c;
}

// An error of a card's model at a temperature, with its file.
Error of_card(Error error, const Certificate& card) {
  error.where = card.file;
  return error;
}

Result<double> change_at(const Certificate& earlier, const Certificate& later, double t_c) {
  const auto before = thermometry::raw_value(earlier.model, t_c, junction_at_zero_c);
  if (!before) return of_card(before.error(), earlier);
  const auto slope = thermometry::sensitivity_per_k(earlier.model, t_c);
  if (!slope) return of_card(slope.error(), earlier);
  const auto after = thermometry::raw_value(later.model, t_c, junction_at_zero_c);
  if (!after) return of_card(after.error(), later);
  const double change_k = (*after - *before) / *slope;
  if (std::isfinite(change_k)) return change_k;
  return Error{Errc::out_of_range, history, "at " + degrees(t_c) + " its signal does not change with temperature",
               earlier.file};
}

Result<std::optional<TriplePointChange>> triple_point_change(const Certificate& earlier, const Certificate& later) {
  const auto* before = std::get_if<thermometry::Sprt>(&earlier.model);
  const auto* after = std::get_if<thermometry::Sprt>(&later.model);
  if (before == nullptr || after == nullptr) return std::optional<TriplePointChange>();
  const auto moved = thermometry::triple_point_check(*before, 0, {after->r_tpw_ohm, 0});
  if (!moved) return of_card(moved.error(), later);
  return std::optional(TriplePointChange{before->r_tpw_ohm, after->r_tpw_ohm, after->r_tpw_ohm - before->r_tpw_ohm,
                                         moved->difference_mk / 1e3});
}

Result<DriftInterval> interval_of(const std::vector<Certificate>& cards, std::size_t index,
                                  const std::vector<double>& at_c) {
  const Certificate &earlier = cards[index], &later = cards[index + 1];
  DriftInterval out;
  out.earlier = index;
  out.days = static_cast<int>((*day_of(later.calibrated) - *day_of(earlier.calibrated)).count());
  out.years = out.days / days_a_year;
  if (earlier.u95_k && later.u95_k) out.u95_k = std::hypot(*earlier.u95_k, *later.u95_k);
  out.same_coefficients = plan::model_json(earlier.model) == plan::model_json(later.model);
  const auto triple_point = triple_point_change(earlier, later);
  if (!triple_point) return triple_point.error();
  out.triple_point = *triple_point;
  for (const double t_c : at_c) {
    const auto change_k = change_at(earlier, later, t_c);
    if (!change_k) return change_k.error();
    DriftPoint point{t_c, *change_k, *change_k / out.years, std::nullopt};
    if (out.u95_k) point.within_u = std::abs(*change_k) <= *out.u95_k;
    out.points.push_back(point);
  }
  return out;
}

std::optional<LargestDrift> largest_of(const std::vector<DriftInterval>& intervals) {
  std::optional<LargestDrift> out;
  for (std::size_t i = 0; i < intervals.size(); ++i) {
    if (intervals[i].same_coefficients) continue;
    for (const DriftPoint& point : intervals[i].points)
      if (!out || std::abs(point.per_year_k) > std::abs(out->point.per_year_k)) out = LargestDrift{i, point};
  }
  return out;
}

// Up to two significant digits, as a number that prints so.
double rounded_up(double value) {
  const int exponent = static_cast<int>(std::floor(std::log10(value)));
  const double digits = std::ceil(value * std::pow(10.0, 1 - exponent) - 1e-6);
  return exponent <= 1 ? digits / std::pow(10.0, 1 - exponent) : digits * std::pow(10.0, exponent - 1);
}

std::optional<uncertainty::Effect> effect_of(const DriftHistory& found) {
  if (!found.largest || found.largest->point.per_year_k == 0) return std::nullopt;
  const DriftInterval& interval = found.intervals[found.largest->interval];
  const DriftPoint& point = found.largest->point;
  uncertainty::Effect out;
  out.name = "drift since the certificate";
  out.shape = uncertainty::Shape::rectangular;
  out.constant = rounded_up(std::abs(point.per_year_k));
  out.each_year = true;
  out.source =
      (found.measured == 1 ? "of the interval between two certificates, "
                           : "largest of " + std::to_string(found.measured) + " intervals between certificates, ") +
      found.certificates[interval.earlier].calibrated + " to " + found.certificates[interval.earlier + 1].calibrated +
      ", at " + degrees(point.t_c);
  if (point.within_u) out.source += *point.within_u ? "; within their U95" : "; beyond their U95";
  return out;
}

}  // namespace

Result<DriftHistory> drift_history(std::vector<Certificate> certificates, std::vector<double> at_c) {
  if (auto sound = check_one_sensor(certificates); !sound) return sound.error();
  if (auto sorted = sort_by_date(certificates); !sorted) return sorted.error();
  const auto range = common_range(certificates);
  if (!range) return range.error();
  DriftHistory out;
  out.serial = certificates.front().serial;
  out.kind = kind_of(certificates.front().model);
  out.range = *range;
  const auto points = points_in(out.range, std::move(at_c), certificates.front().model);
  if (!points) return points.error();
  for (std::size_t i = 0; i + 1 < certificates.size(); ++i) {
    auto interval = interval_of(certificates, i, *points);
    if (!interval) return interval.error();
    out.measured += interval->same_coefficients ? 0 : 1;
    out.intervals.push_back(*std::move(interval));
  }
  out.certificates = std::move(certificates);
  out.largest = largest_of(out.intervals);
  out.effect = effect_of(out);
  return out;
}

}  // namespace nightwell::results
