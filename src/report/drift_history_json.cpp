#include <nlohmann/json.hpp>

#include "journal/or_null.hpp"
#include "plan/budget_json.hpp"
#include "report/report.hpp"

namespace nightwell::report {

namespace {

using Json = nlohmann::ordered_json;
using journal::or_null;

Json certificates_json(const results::DriftHistory& history) {
  Json out = Json::array();
  for (const auto& card : history.certificates)
    out.push_back({{"file", card.file},
                   {"certificate", card.certificate},
                   {"calibrated", card.calibrated},
                   {"u95_k", or_null(card.u95_k)}});
  return out;
}

Json point_json(const results::DriftPoint& point) {
  return {{"t_c", point.t_c},
          {"change_k", point.change_k},
          {"per_year_k", point.per_year_k},
          {"within_u95", or_null(point.within_u)}};
}

Json interval_json(const results::DriftInterval& interval) {
  Json points = Json::array();
  for (const auto& point : interval.points) points.push_back(point_json(point));
  Json triple_point = nullptr;
  if (const auto& moved = interval.triple_point)
    triple_point = {{"earlier_ohm", moved->earlier_ohm},
                    {"later_ohm", moved->later_ohm},
                    {"change_ohm", moved->change_ohm},
                    {"change_k", moved->change_k}};
  return {{"earlier", interval.earlier},
          {"later", interval.earlier + 1},
          {"days", interval.days},
          {"years", interval.years},
          {"u95_k", or_null(interval.u95_k)},
          {"same_coefficients", interval.same_coefficients},
          {"triple_point", std::move(triple_point)},
          {"points", std::move(points)}};
}

Json largest_json(const results::DriftHistory& history) {
  if (!history.largest) return nullptr;
  Json out = {{"interval", history.largest->interval}};
  out.update(point_json(history.largest->point));
  return out;
}

Json budget_line_json(const results::DriftHistory& history) {
  if (!history.effect) return nullptr;
  Json out;
  out["sensors"][history.serial] = Json::array({plan::effect_json(*history.effect, "k")});
  return out;
}

}  // namespace

std::string drift_history_json(const results::DriftHistory& history) {
  Json intervals = Json::array();
  for (const auto& interval : history.intervals) intervals.push_back(interval_json(interval));
  const Json out = {{"format", "nightwell-history/1"},
                    {"serial", history.serial},
                    {"kind", history.kind},
                    {"lowest_c", history.range.low_c},
                    {"highest_c", history.range.high_c},
                    {"certificates", certificates_json(history)},
                    {"intervals", std::move(intervals)},
                    {"largest", largest_json(history)},
                    {"budget", budget_line_json(history)},
                    {"cautions", cautions(history)}};
  return out.dump(2, ' ', true, Json::error_handler_t::replace) + "\n";
}

}  // namespace nightwell::report
