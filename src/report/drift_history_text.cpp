// One sensor over its certificates, for people; and the line for a budget that follows from it.
#include <nlohmann/json.hpp>

#include "journal/plain_text.hpp"
#include "plan/budget_json.hpp"
#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

namespace nightwell::report {

namespace {

using results::Certificate;
using results::DriftHistory;
using results::DriftInterval;
using results::DriftPoint;

constexpr std::size_t text_columns = 100;
// A change over less is mostly the certificates' own uncertainty once it is a change a year. Common practice, no source.
constexpr int short_interval_days = 182;

std::string mk(std::optional<double> value_k, int decimals = 2) {
  return value_k ? fixed(*value_k * 1e3, decimals) : "-";
}

std::string signed_text(double value, int decimals) {
  const std::string text = fixed(value, decimals);
  return text.front() == '-' || text.find_first_of("123456789") == std::string::npos ? text : "+" + text;
}

std::string answer(const DriftPoint& point) {
  return !point.within_u ? "U not known" : *point.within_u ? "within U" : "beyond U";
}

const Certificate& earlier_of(const DriftHistory& history, const DriftInterval& interval) {
  return history.certificates[interval.earlier];
}
const Certificate& later_of(const DriftHistory& history, const DriftInterval& interval) {
  return history.certificates[interval.earlier + 1];
}
std::string dates_of(const DriftHistory& history, const DriftInterval& interval) {
  return earlier_of(history, interval).calibrated + " to " + later_of(history, interval).calibrated;
}

std::string certificate_table(const DriftHistory& history) {
  Table table({{"calibrated", false, 10}, {"certificate", false, 40}, {"U95 / mK", true, 9}, {"card", false, 30}});
  for (const Certificate& card : history.certificates)
    table.add({card.calibrated, card.certificate.empty() ? "-" : card.certificate, mk(card.u95_k), card.file});
  return table.text();
}

std::string interval_text(const DriftHistory& history, const DriftInterval& interval) {
  std::string out =
      "\n" + dates_of(history, interval) + ", " + counted(static_cast<std::size_t>(interval.days), "day") + "\n";
  if (interval.triple_point) {
    const auto& moved = *interval.triple_point;
    out += "  R at 0.01 °C: " + fixed(moved.earlier_ohm, 6) + " to " + fixed(moved.later_ohm, 6) + " ohm, " +
           signed_text(moved.change_ohm * 1e3, 4) + " mohm, " + signed_text(moved.change_k * 1e3, 2) + " mK\n";
  }
  if (interval.same_coefficients) return out + "  The card kept its coefficients.\n";
  Table table({{"at / °C", true, 9},
               {"change / mK", true, 12},
               {"a year / mK", true, 12},
               {"U / mK", true, 9},
               {"", false, 12}});
  for (const DriftPoint& point : interval.points)
    table.add({exact(point.t_c), mk(point.change_k), mk(point.per_year_k), mk(interval.u95_k), answer(point)});
  return out + table.text();
}

std::string largest_text(const DriftHistory& history) {
  if (!history.largest || !history.effect) return "\nNothing has moved: there is no drift to state.\n";
  const DriftInterval& interval = history.intervals[history.largest->interval];
  const DriftPoint& point = history.largest->point;
  const std::string head = "Largest drift  ";
  std::string out = "\n" + wrapped(head,
                                   mk(std::abs(point.per_year_k)) + " mK a year, " + dates_of(history, interval) +
                                       " at " + exact(point.t_c) + " °C, " + answer(point),
                                   text_columns);
  out += wrapped("Budget         ",
                 "for a lab's budget file; `sensors` adds to what `references` states of every reference: leave the "
                 "drift out there, or it counts twice",
                 text_columns);
  nlohmann::ordered_json line;
  line["sensors"][history.serial] = {plan::effect_json(*history.effect, "k")};
  // Without the outer braces: it goes into a file that has them.
  const std::string text = line.dump(2);
  for (std::size_t from = text.find('\n') + 1, to = 0; (to = text.find('\n', from)) != std::string::npos; from = to + 1)
    out += journal::printable(text.substr(from, to - from)) + "\n";
  return out;
}

}  // namespace

std::vector<std::string> cautions(const DriftHistory& history) {
  std::vector<std::string> out;
  for (const DriftInterval& interval : history.intervals) {
    const std::string when = "From " + dates_of(history, interval) + " ";
    if (interval.same_coefficients)
      out.push_back(when +
                    "the card kept its coefficients: that says nothing about the sensor, and counts for nothing.");
    else if (interval.days < short_interval_days)
      out.push_back(when + "it is " + counted(static_cast<std::size_t>(interval.days), "day") +
                    ": so short a time makes a change a year of the certificates' own uncertainty.");
  }
  return out;
}

std::string drift_history(const DriftHistory& history) {
  std::string out = wrapped("",
                            "Sensor " + history.serial + ", " + history.kind + ", " +
                                counted(history.certificates.size(), "certificate") + ", " +
                                exact(history.range.low_c) + " to " + exact(history.range.high_c) + " °C in common",
                            text_columns);
  out += "\n" + certificate_table(history);
  for (const DriftInterval& interval : history.intervals) out += interval_text(history, interval);
  const auto all = cautions(history);
  if (!all.empty()) out += "\n";
  for (const std::string& caution : all) out += wrapped("  ! ", caution, text_columns);
  out += largest_text(history);
  return out +
         "\nchange: what the sensor's own signal has moved by, in kelvin at that temperature; positive where a\n"
         "reading with the earlier card had become too high. U: of both certificates together (k = 2), as\n"
         "independent. `within U`: their uncertainties explain it, the sensor need not have moved.\n";
}

}  // namespace nightwell::report
