#include "cli/expected_budget.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <utility>

#include "cli/wording.hpp"
#include "plan/budget_json.hpp"
#include "plan/plan_json.hpp"
#include "results/budget.hpp"
#include "results/card.hpp"

namespace nightwell::cli {
namespace {

constexpr double room_c = 23;

Result<std::vector<results::Channel>> cards_of(const sequence::Plan& plan) {
  std::vector<results::Channel> out;
  for (std::size_t i = 0; i < plan.channels.size(); ++i) {
    journal::Record record;
    record.kind = "card";
    record.body = plan::card_record(plan, i);
    std::optional<Error> fault;
    out.push_back(results::card_of(results::Fields(record, fault), plan.channels.size()));
    if (fault) return *fault;
  }
  return out;
}

double junction_there_c(const std::vector<results::Channel>& channels, const results::Channel& channel) {
  if (const auto* fixed = std::get_if<results::JunctionFixed>(&channel.junction)) return fixed->t_c;
  const auto* measured = std::get_if<results::JunctionChannel>(&channel.junction);
  if (!measured) return 0;
  const results::Channel& there = channels[measured->channel];
  return std::clamp(room_c, there.lowest_c, there.highest_c);
}

// What a channel would read at t_c, twice the same.
std::optional<results::Readings> would_read(const std::vector<results::Channel>& channels, std::size_t index,
                                            double t_c) {
  const results::Channel& channel = channels[index];
  const auto raw = thermometry::raw_value(channel.model, t_c, junction_there_c(channels, channel));
  if (!raw) return std::nullopt;
  results::Readings out;
  out.channel = index;
  out.n = 2;
  out.raw_mean = *raw;
  out.mean_c = t_c;
  return out;
}

results::Plateau would_be_at(const std::vector<results::Channel>& channels, double setpoint_c,
                             const std::string& source) {
  results::Plateau out;
  out.setpoint_c = setpoint_c;
  out.source = source;
  out.reference.mean_c = setpoint_c;
  for (std::size_t i = 0; i < channels.size(); ++i) {
    const bool junction = channels[i].role == results::Role::junction;
    const auto readings = would_read(
        channels, i, junction ? std::clamp(room_c, channels[i].lowest_c, channels[i].highest_c) : setpoint_c);
    if (!readings) continue;
    if (channels[i].role == results::Role::reference) out.reference.each.push_back(*readings);
    if (junction) out.junctions.push_back(*readings);
    if (channels[i].role == results::Role::item) {
      results::Item item;
      item.readings = *readings;
      item.error_k = 0;
      item.error_sd_k = 0;
      item.standard_error_k = 0;
      out.items.push_back(std::move(item));
    }
  }
  return out;
}

std::optional<double> expected_limit(const results::Item& item) {
  return item.verdict ? item.verdict->limit_k : std::nullopt;
}

// U beside the limit, so that the worst setpoint of an item can be found; U alone where there is no limit.
double narrowness(const results::Item& item) {
  return *item.budget->expanded_k / expected_limit(item).value_or(1);
}

struct WorstSetpoint {
  const results::Item* item = nullptr;
  double setpoint_c = 0;
};

std::map<std::size_t, WorstSetpoint> worst_setpoints(const results::Results& expected) {
  std::map<std::size_t, WorstSetpoint> out;  // by channel
  for (const auto& plateau : expected.plateaus)
    for (const results::Item& item : plateau.items) {
      if (!item.budget || !item.budget->expanded_k) continue;
      auto& worst = out[item.readings.channel];
      if (!worst.item || narrowness(item) > narrowness(*worst.item)) worst = {&item, plateau.setpoint_c};
    }
  return out;
}

std::vector<std::string> expected_gaps(const results::Results& expected) {
  std::vector<std::string> out;
  for (const auto& plateau : expected.plateaus)
    for (const results::Item& item : plateau.items)
      if (item.budget)
        for (const auto& gap : item.budget->gaps)
          if (std::find(out.begin(), out.end(), gap) == out.end()) out.push_back(gap);
  return out;
}

std::string caution_of(const results::Results& expected) {
  if (!expected.lab_budget) return "no budget file in the job: the results will have no uncertainty and no verdicts";
  const auto gaps = expected_gaps(expected);
  if (gaps.empty()) return "";
  return "the budget has gaps, so U will be too small to decide by: " + shown(gaps.front()) +
         (gaps.size() > 1 ? ", and " + std::to_string(gaps.size() - 1) + " more" : "");
}

// What a tolerance will come to.
std::string prospect(const results::Channel& channel, const results::Item& item,
                     const uncertainty::DecisionRule& rule) {
  if (!channel.tolerance) return "no tolerance in its card: no verdict";
  if (!item.verdict || !item.verdict->limit_k) return "no limit there";
  if (!item.budget->gaps.empty()) return "gaps: no verdict";
  if (rule.kind != uncertainty::RuleKind::simple_acceptance && item.verdict->answer != results::Answer::within)
    return "U TOO LARGE: even an error of 0 would not be within";
  return "";
}

std::string uncertainty_words(double k) {
  return fixed(k, 4) + " K";
}

}  // namespace

Result<results::Results> expected_budgets(const sequence::Plan& plan, const std::string& today) {
  results::Results out;
  out.opened_utc = today;
  if (plan.budget.empty()) return out;
  auto channels = cards_of(plan);
  if (!channels) return channels.error();
  out.channels = std::move(channels).value();
  auto lab = plan::budget_from_json(nlohmann::ordered_json::parse(plan.budget));
  if (!lab) return lab.error();
  out.lab_budget = std::move(lab).value();
  std::set<std::pair<std::size_t, double>> seen;  // an up-and-down series comes to each setpoint twice
  for (const auto& plateau : plan.plateaus)
    if (seen.emplace(plateau.source, plateau.setpoint_c).second)
      out.plateaus.push_back(would_be_at(out.channels, plateau.setpoint_c, plan.sources[plateau.source].name));
  if (auto added = results::add_budgets(out); !added) return added.error();
  return out;
}

std::string expected_text(const sequence::Plan& plan, const std::string& today) {
  if (plan.plateaus.empty()) return "";
  const auto expected = expected_budgets(plan, today);
  if (!expected) return "Uncertainty: " + shown(expected.error().text()) + "\n";
  if (!expected->lab_budget) return "Uncertainty: " + caution_of(*expected) + "\n";
  std::string out = "Uncertainty at best, by cards and budget; what the night adds makes it larger:\n";
  std::vector<std::vector<std::string>> rows = {{"ITEM", "SERIAL", "AT", "U", "LIMIT", ""}};
  for (const auto& [channel, worst] : worst_setpoints(*expected)) {
    const auto limit = expected_limit(*worst.item);
    rows.push_back({shown(expected->channels[channel].name), shown(expected->channels[channel].serial),
                    shortest(worst.setpoint_c) + " °C", uncertainty_words(*worst.item->budget->expanded_k),
                    limit ? uncertainty_words(*limit) : "-",
                    prospect(expected->channels[channel], *worst.item, expected->lab_budget->rule)});
  }
  out += table(rows);
  for (const auto& gap : expected_gaps(*expected)) out += "GAP: " + shown(gap) + "\n";
  return out;
}

std::string expected_caution(const sequence::Plan& plan, const std::string& today) {
  if (plan.plateaus.empty()) return "";
  const auto expected = expected_budgets(plan, today);
  return expected ? caution_of(*expected) : shown(expected.error().text());
}

nlohmann::ordered_json expected_json(const sequence::Plan& plan, const std::string& today) {
  const auto expected = expected_budgets(plan, today);
  if (!expected || !expected->lab_budget) return nullptr;
  nlohmann::ordered_json items = nlohmann::ordered_json::array();
  for (const auto& plateau : expected->plateaus)
    for (const results::Item& item : plateau.items)
      if (item.budget && item.budget->expanded_k) {
        const auto limit = expected_limit(item);
        items.push_back({{"channel", expected->channels[item.readings.channel].name},
                         {"setpoint_c", plateau.setpoint_c},
                         {"expanded_k", *item.budget->expanded_k},
                         {"limit_k", limit ? nlohmann::ordered_json(*limit) : nlohmann::ordered_json(nullptr)}});
      }
  return {{"gaps", expected_gaps(*expected)}, {"items", std::move(items)}};
}

}  // namespace nightwell::cli
