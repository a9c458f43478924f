#include "report/method.hpp"

#include "report/numbers.hpp"

namespace nightwell::report {

namespace {

using results::CapturePlan;
using results::Course;
using results::Limit;
using results::PlateauCourse;
using results::Readings;
using results::Results;
using results::SettleRule;

void add_with_comma(std::string& list, const std::string& entry) {
  list += (list.empty() ? "" : ", ") + entry;
}

std::string settle_words(const PlateauCourse& plateau) {
  const SettleRule& rule = plateau.settle;
  std::string out = "settled once, over a window of " + exact(rule.window_s) +
                    " s, every reference reading is within " + exact(plateau.band_k) +
                    " K of the setpoint, the least-squares line through them changes by at most " +
                    exact(rule.largest_drift_k) + " K over the window, and the largest and the smallest are at most " +
                    exact(rule.largest_spread_k) + " K apart";
  if (rule.item_drift_k)
    out += "; and no item drifts against the reference by more than " + exact(*rule.item_drift_k) + " K";
  return out;
}

std::string capture_words(const CapturePlan& capture) {
  const std::string sweeps = counted(capture.sweeps, "sweep") + " in " + capture.order + " order, " +
                             exact(capture.pause_s) + " s between them";
  return capture.placement == "inside"
             ? "The readings that count are the last " + sweeps + ", of the settle window itself"
             : "The readings that count are " + sweeps + ", taken after the settle window";
}

std::string limit_words(const PlateauCourse& plateau) {
  const auto one = [](const char* phase, const Limit& limit) {
    return std::string(phase) + " " + exact(limit.within_s) + " s, otherwise " + limit.otherwise;
  };
  return "Limits: " + one("approach", plateau.approach_limit) + "; " + one("settling", plateau.settle_limit) + "; " +
         one("readings", plateau.capture_limit);
}

std::string rules_of(const PlateauCourse& plateau) {
  return settle_words(plateau) + ". " + capture_words(plateau.capture) + ". " + limit_words(plateau) + ".";
}

// Plateaus that share their rules share a paragraph.
std::vector<std::string> rules(const Course& course) {
  std::vector<std::pair<std::string, std::string>> groups;  // rules, plateau numbers
  for (const PlateauCourse& plateau : course.plateaus) {
    const std::string text = rules_of(plateau);
    auto group = groups.begin();
    while (group != groups.end() && group->first != text) ++group;
    if (group == groups.end()) group = groups.insert(group, {text, ""});
    add_with_comma(group->second, std::to_string(plateau.index + 1));
  }
  std::vector<std::string> out;
  for (const auto& [text, numbers] : groups)
    out.push_back((numbers.find(',') == std::string::npos ? "Plateau " + numbers + " counts as "
                                                          : "Plateaus " + numbers + " each count as ") +
                  text);
  return out;
}

std::vector<std::string> orders(const Results& results, const Course& course) {
  std::vector<std::string> out, said;
  for (const PlateauCourse& plateau : course.plateaus) {
    const auto order = course.orders.find(plateau.capture.order);
    if (order == course.orders.end()) continue;
    bool known = false;
    for (const auto& name : said) known = known || name == order->first;
    if (known) continue;
    said.push_back(order->first);
    std::string names;
    for (const std::size_t channel : order->second) add_with_comma(names, results.channels[channel].name);
    out.push_back("A sweep in " + order->first + " order reads: " + names + ".");
  }
  return out;
}

std::string faults_of(const Readings& readings) {
  std::string out;
  for (const auto& fault : readings.faults) add_with_comma(out, std::to_string(fault.count) + " x " + fault.code);
  return out;
}

}  // namespace

std::vector<std::string> method(const Results& results, const Course& course) {
  std::string plateaus;
  for (const PlateauCourse& plateau : course.plateaus)
    add_with_comma(plateaus, exact(plateau.setpoint_c) + " °C in " + plateau.source);
  std::vector<std::string> out{"By comparison with the reference in the same source. Profile " + results.profile +
                               ", plateaus in the order of the plan: " + plateaus + "."};
  for (auto& text : rules(course)) out.push_back(std::move(text));
  for (auto& text : orders(results, course)) out.push_back(std::move(text));
  out.push_back(
      "Each raw reading is converted with the model in its sensor's card, a thermocouple's junction through emf. An "
      "error "
      "is the mean of (item - reference at the moment of the item's reading) over the readings that count; the "
      "reference "
      "in between lies on the straight line between its readings before and after, and is the mean where there are "
      "two.");
  return out;
}

std::vector<std::string> decision(const Results& results) {
  if (!results.lab_budget)
    return {"This run had no uncertainty budget: the numbers carry no uncertainty, and no item is judged."};
  const auto& budget = *results.lab_budget;
  std::string rule;
  switch (budget.rule.kind) {
    case uncertainty::RuleKind::simple_acceptance:
      rule = "simple acceptance: the error alone is held against the limit; U is stated beside it";
      break;
    case uncertainty::RuleKind::guard_band:
      rule =
          "guard band w = U: within where all of error ± U lies within the limits, outside where all of it lies "
          "outside";
      break;
    case uncertainty::RuleKind::largest_risk:
      rule = "the risk of a false acceptance, by the probability of conformance, is at most " +
             exact(budget.rule.largest_risk);
      break;
  }
  std::vector<std::string> out{"Decision rule: " + rule + " (" + budget.rule_source + ").",
                               "U is the expanded uncertainty U = k u for a coverage probability of " +
                                   exact(budget.coverage * 100) +
                                   " %, k from the effective degrees of freedom of each budget."};
  for (const auto& plateau : results.plateaus)
    for (const auto& item : plateau.items)
      if (item.budget && !item.budget->gaps.empty()) {
        out.push_back("Budgets have gaps, named under each of them: U is too small there.");
        return out;
      }
  return out;
}

std::vector<std::string> marked(const Results& results) {
  std::vector<std::string> out;
  const auto because = [](const std::string& why) { return why.empty() ? std::string(".") : ": " + why + "."; };
  for (const auto& serial : results.accepted_overdue)
    out.push_back("Reference " + serial + " was past its due date, and was accepted by request.");
  for (const auto& plateau : results.plateaus) {
    const std::string called =
        "plateau " + std::to_string(plateau.index + 1) + " (" + exact(plateau.setpoint_c) + " °C)";
    if (plateau.outcome == "skipped") out.push_back("Skipped: " + called + because(plateau.why));
    if (plateau.outcome == "not_settled") out.push_back("Not settled: " + called + because(plateau.why));
    const auto faults = [&](const Readings& readings) {
      if (readings.faults.empty()) return;
      out.push_back("Readings without a value: " + results.channels[readings.channel].name + " at " + called + ": " +
                    faults_of(readings) + ".");
    };
    for (const auto& one : plateau.reference.each) faults(one);
    for (const auto& item : plateau.items) {
      faults(item.readings);
      if (item.reference_outside > 0)
        out.push_back(results.channels[item.readings.channel].name + " at " + called + ": " +
                      counted(item.reference_outside, "reading") + " compared with the nearest reference reading.");
    }
    for (const auto& one : plateau.junctions) faults(one);
  }
  for (const auto& plateau : results.unclosed)
    out.push_back("Never closed: plateau " + std::to_string(plateau.index + 1) + " (" + exact(plateau.setpoint_c) +
                  " °C).");
  for (const auto& channel : results.channels)
    if (channel.left_out) out.push_back("Left out: " + channel.name + because(*channel.left_out));
  for (const auto& finding : results.findings)
    out.push_back("Survey: " + finding.channel + ": " + finding.finding + because(finding.text));
  return out;
}

}  // namespace nightwell::report
