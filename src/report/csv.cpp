#include "journal/plain_text.hpp"
#include "report/numbers.hpp"
#include "report/report.hpp"

namespace nightwell::report {

namespace {

using results::Item;
using results::Plateau;
using results::Results;

// A text cell. A spreadsheet takes a cell that starts with one of = + - @ (or with a tab or blanks before one) for a
// formula; an apostrophe in front makes it text there (CWE-1236).
std::string text_cell(const std::string& given) {
  std::string text = journal::printable(given);
  const std::size_t first = given.find_first_not_of(" \t\r\n");
  const bool formula = first != std::string::npos && std::string_view("=+-@").find(given[first]) != std::string::npos;
  if (formula || (!given.empty() && given.front() == '\t')) text.insert(0, "'");
  if (text.find_first_of(",\"") == std::string::npos && text.find(' ') == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

// Cells of one line.
class Line {
 public:
  Line& text(const std::string& value) { return put(text_cell(value)); }
  Line& number(std::optional<double> value) { return put(exact(value)); }
  template <class Whole>
  Line& whole(Whole value) {
    return put(std::to_string(value));
  }
  [[nodiscard]] std::string ended() const { return cells_ + "\r\n"; }

 private:
  Line& put(const std::string& cell) {
    if (!first_) cells_ += ',';
    first_ = false;
    cells_ += cell;
    return *this;
  }
  std::string cells_;
  bool first_ = true;
};

constexpr const char* head_line =
    "run,job,customer_reference,profile,bench,plateau,setpoint_c,source,outcome,reference_c,reference_sd_k,reference_n,"
    "reference_drift_k,channel,serial,type,certificate,n,raw_mean,raw_unit,mean_c,sd_k,error_k,error_sd_k,"
    "standard_error_k,faults,reference_outside,junction_outside,left_out,ending,head,"
    "standard_k,degrees_of_freedom,k,expanded_k,budget_gaps,tolerance,limit_k,conformance,verdict\r\n";

std::string item_line(const Plateau& plateau, const Item& item, const Results& results) {
  const auto& channel = results.channels[item.readings.channel];
  std::size_t faults = 0;
  for (const auto& fault : item.readings.faults) faults += fault.count;
  Line line;
  line.text(results.run).text(results.job).text(results.customer_reference).text(results.profile).text(results.bench);
  line.whole(plateau.index).number(plateau.setpoint_c).text(plateau.source).text(plateau.outcome);
  line.number(plateau.reference.mean_c).number(plateau.reference.sd_k);
  line.whole(plateau.reference.n).number(plateau.reference.drift_k);
  line.text(channel.name).text(channel.serial).text(channel.type).text(channel.certificate);
  line.whole(item.readings.n).number(item.readings.raw_mean).text(std::string(unit_suffix(channel.measures)));
  line.number(item.readings.mean_c).number(item.readings.sd_k);
  line.number(item.error_k).number(item.error_sd_k).number(item.standard_error_k);
  line.whole(faults).whole(item.reference_outside).whole(item.readings.junction_outside);
  line.text(channel.left_out.value_or("")).text(results.ending.value_or("ended without closing"));
  line.text(results.verification.head);
  const auto budget = item.budget.value_or(results::ItemBudget{});
  line.number(budget.standard_k).number(budget.degrees_of_freedom).number(budget.factor).number(budget.expanded_k);
  line.whole(budget.gaps.size());
  if (item.verdict)
    line.text(item.verdict->tolerance).number(item.verdict->limit_k).number(item.verdict->conformance);
  else
    line.text("").text("").text("");
  line.text(item.verdict ? std::string(name(item.verdict->answer)) : "");
  return line.ended();
}

}  // namespace

std::string csv(const Results& results) {
  std::string out = head_line;
  for (const Plateau& plateau : results.plateaus)
    for (const Item& item : plateau.items) out += item_line(plateau, item, results);
  return out;
}

}  // namespace nightwell::report
