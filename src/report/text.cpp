#include "journal/plain_text.hpp"
#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/seal_words.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

using results::Item;
using results::Plateau;
using results::Readings;
using results::Results;

constexpr std::size_t width = 100;
constexpr int temperature_decimals = 4;  // 0.1 mK

std::string or_none(const std::string& text) {
  return text.empty() ? "-" : text;
}

std::string row(const std::string& name, const std::string& text) {
  return wrapped(name + std::string(12 - name.size(), ' '), text, width);
}

std::string head(const Results& results) {
  const auto& journal = results.verification;
  std::string out = row("Run", results.run);
  out += row("Ending", results.ending ? *results.ending + (results.ending_why.empty() ? "" : ": " + results.ending_why)
                                      : std::string(not_closed));
  out += row("Opened", results.opened_utc + ", last record " + results.last_utc);
  out += row("Job", results.job);
  out += row("Customer", or_none(results.customer_reference));
  out += row("Profile", results.profile);
  out += row("Bench", results.bench);
  out += row("Program", results.program_name + " " + results.program_version + " on " + results.host);
  out += row("Journal", counted(static_cast<std::size_t>(journal.lines), "line") + ", head " + journal.head);
  out += row("Seal", seal_words(journal));
  return out;
}

std::string caution_list(const Results& results) {
  std::string out;
  for (const auto& caution : cautions(results)) out += wrapped("  ! ", caution, width);
  return out.empty() ? out : "\nCautions\n" + out;
}

std::string channel_table(const Results& results) {
  Table table({{"channel", false, 14},
               {"role", false, 9},
               {"serial", false, 18},
               {"type", false, 18},
               {"certificate", false, 15},
               {"due", false, 10}});
  for (const auto& channel : results.channels)
    table.add({channel.name, std::string(name(channel.role)), or_none(channel.serial), or_none(channel.type),
               or_none(channel.certificate), or_none(channel.due)});
  return "\nChannels\n" + table.text();
}

std::string faults_text(const Readings& readings) {
  std::string out;
  for (const auto& fault : readings.faults)
    out += (out.empty() ? "" : ", ") + std::to_string(fault.count) + " x " + fault.code;
  return out;
}

// What is to be known about a channel at this plateau beyond its numbers; "" where there is nothing.
std::string notes(const Readings& readings, std::size_t reference_outside, const Results& results) {
  std::vector<std::string> parts;
  if (!readings.faults.empty()) parts.push_back("without a value: " + faults_text(readings));
  if (reference_outside > 0)
    parts.push_back(counted(reference_outside, "reading") + " compared with the nearest reference reading");
  if (readings.junction_outside > 0)
    parts.push_back(counted(readings.junction_outside, "reading") + " converted with the nearest junction reading");
  const auto& channel = results.channels[readings.channel];
  if (channel.left_out)
    parts.push_back("the run went on without it" + (channel.left_out->empty() ? "" : ": " + *channel.left_out));
  std::string out;
  for (const auto& part : parts) out += (out.empty() ? "" : "; ") + part;
  return out;
}

std::string note_line(const Readings& readings, std::size_t reference_outside, const Results& results) {
  const std::string text = notes(readings, reference_outside, results);
  if (text.empty()) return "";
  return wrapped("  * ", results.channels[readings.channel].name + ": " + text, width);
}

std::string reference_table(const Plateau& plateau, const Results& results) {
  Table table({{"reference", false, 14},
               {"serial", false, 14},
               {"n", true, 6},
               {"raw mean", true, 18},
               {"mean / °C", true, 12},
               {"sd / K", true, 10},
               {"drift / K", true, 10}});
  const auto temperature = [](std::optional<double> value) { return fixed(value, temperature_decimals); };
  for (const auto& one : plateau.reference.each) {
    const auto& channel = results.channels[one.channel];
    table.add({channel.name, channel.serial, std::to_string(one.n), raw_text(one.raw_mean, channel.measures),
               temperature(one.mean_c), temperature(one.sd_k), temperature(one.drift_k)});
  }
  if (plateau.reference.each.size() > 1) {
    const auto& all = plateau.reference;
    table.add({"mean", "", std::to_string(all.n), "", temperature(all.mean_c), temperature(all.sd_k),
               temperature(all.drift_k)});
  }
  return table.text();
}

// With a budget: what an item is judged by.
std::string judged_table(const Plateau& plateau, const Results& results) {
  Table table({{"item", false, 12},
               {"serial", false, 12},
               {"n", true, 5},
               {"mean / °C", true, 10},
               {"error / K", true, 9},
               {"U / K", true, 7},
               {"k", true, 5},
               {"limit / K", true, 9},
               {"verdict", false, 11}});
  const auto temperature = [](std::optional<double> value) { return fixed(value, temperature_decimals); };
  for (const Item& item : plateau.items) {
    const auto& channel = results.channels[item.readings.channel];
    const auto budget = item.budget.value_or(results::ItemBudget{});
    table.add({channel.name, channel.serial, std::to_string(item.readings.n), temperature(item.readings.mean_c),
               temperature(item.error_k), temperature(budget.expanded_k), fixed(budget.factor, 2),
               item.verdict ? temperature(item.verdict->limit_k) : "-",
               item.verdict
                   ? (item.verdict->answer == results::Answer::not_decided ? "not decided"
                                                                           : std::string(name(item.verdict->answer)))
                   : "-"});
  }
  return table.text();
}

std::string item_table(const Plateau& plateau, const Results& results) {
  if (results.lab_budget) return judged_table(plateau, results);
  Table table({{"item", false, 14},
               {"serial", false, 14},
               {"n", true, 6},
               {"raw mean", true, 18},
               {"mean / °C", true, 12},
               {"error / K", true, 10},
               {"sd / K", true, 8},
               {"s.e. / K", true, 8}});
  const auto temperature = [](std::optional<double> value) { return fixed(value, temperature_decimals); };
  for (const Item& item : plateau.items) {
    const auto& channel = results.channels[item.readings.channel];
    table.add({channel.name, channel.serial, std::to_string(item.readings.n),
               raw_text(item.readings.raw_mean, channel.measures), temperature(item.readings.mean_c),
               temperature(item.error_k), temperature(item.error_sd_k), temperature(item.standard_error_k)});
  }
  return table.text();
}

std::string gap_lines(const Item& item, const Results& results) {
  const std::string& channel = results.channels[item.readings.channel].name;
  std::string out;
  if (item.budget)
    for (const auto& gap : item.budget->gaps) out += wrapped("  * ", channel + ": U is too small: " + gap, width);
  if (item.verdict && !item.verdict->why.empty())
    out += wrapped("  * ", channel + ": not decided: " + item.verdict->why, width);
  return out;
}

std::string from_text(results::Direction direction) {
  return direction == results::Direction::up     ? ", from below"
         : direction == results::Direction::down ? ", from above"
                                                 : "";
}

std::string plateau_text(const Plateau& plateau, const Results& results) {
  std::string title = "Plateau " + std::to_string(plateau.index + 1) + ": " + exact(plateau.setpoint_c) + " °C, " +
                      (plateau.outcome == "not_settled" ? "not settled" : plateau.outcome) +
                      from_text(plateau.direction);
  if (plateau.sweeps > 0)
    title += ", " + counted(plateau.sweeps, "sweep") + " in " + plateau.source + ", " + fixed(plateau.from_s, 0) +
             " s to " + fixed(plateau.to_s, 0) + " s";
  std::string out = "\n" + wrapped("", title, width);
  if (plateau.sweeps == 0) return out + "  no readings\n";
  out += reference_table(plateau, results) + "\n" + item_table(plateau, results);
  for (const auto& one : plateau.reference.each) out += note_line(one, 0, results);
  for (const Item& item : plateau.items) {
    out += note_line(item.readings, item.reference_outside, results);
    out += gap_lines(item, results);
  }
  for (const auto& one : plateau.junctions) out += note_line(one, 0, results);
  return out;
}

std::string finding_list(const Results& results) {
  if (results.findings.empty()) return "";
  std::string out = "\nFound by the survey\n";
  for (const auto& finding : results.findings)
    out += wrapped("  ", finding.channel + ": " + finding.finding + (finding.text.empty() ? "" : ", " + finding.text),
                   width);
  return out;
}

std::string mean_text(const results::Visits& visits) {
  return fixed(visits.mean_k, temperature_decimals) +
         (visits.n > 1 ? " (" + std::to_string(visits.n) + ")" : std::string());
}

std::string revisited_table(const Results& results) {
  if (results.revisited.empty()) return "";
  Table table({{"item", false, 14},
               {"serial", false, 14},
               {"at / °C", true, 9},
               {"from below / K", true, 14},
               {"from above / K", true, 14},
               {"difference / K", true, 14},
               {"s / K", true, 8}});
  for (const auto& one : results.revisited) {
    const auto& channel = results.channels[one.channel];
    table.add({channel.name, channel.serial, exact(one.setpoint_c), mean_text(one.up), mean_text(one.down),
               fixed(one.difference_k, temperature_decimals), fixed(one.between_sd_k, temperature_decimals)});
  }
  return "\nSetpoints come to again: mean errors\n" + table.text() +
         wrapped(
             "  ",
             "difference: hysteresis, with what repeats badly in it; s: standard deviation of errors come to from the "
             "same side; (n): plateaus behind a mean.",
             width);
}

constexpr const char* legend =
    "\nerror = item - reference at the moment of each item reading; sd = sample standard deviation;\n"
    "s.e. = sd / sqrt(n). The uncertainties of reference, instruments and source are not in here.\n";

std::string rule_text(const uncertainty::DecisionRule& rule) {
  switch (rule.kind) {
    case uncertainty::RuleKind::simple_acceptance: return "simple acceptance";
    case uncertainty::RuleKind::guard_band: return "guard band w = U";
    case uncertainty::RuleKind::largest_risk:
      return "a risk of false acceptance of at most " + exact(rule.largest_risk * 100) + " %";
  }
  return "";
}

std::string judged_legend(const Results& results) {
  const auto& budget = *results.lab_budget;
  return "\n" + wrapped("",
                        "error = item - reference at the moment of each item reading; U = k u, coverage " +
                            exact(budget.coverage * 100) + " %, lines by `results --budgets`. Decision rule: " +
                            rule_text(budget.rule) + " (" + budget.rule_source + ").",
                        width);
}

}  // namespace

std::string text(const Results& results) {
  std::string out = head(results) + caution_list(results) + channel_table(results);
  for (const Plateau& plateau : results.plateaus) out += plateau_text(plateau, results);
  out += revisited_table(results) + finding_list(results);
  if (!results.plateaus.empty()) out += results.lab_budget ? judged_legend(results) : legend;
  return out;
}

}  // namespace nightwell::report
