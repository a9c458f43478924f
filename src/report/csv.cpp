#include "report/csv_line.hpp"
#include "report/report.hpp"

namespace nightwell::report {

namespace {

using results::Item;
using results::Plateau;
using results::Results;

constexpr const char* head_line =
    "run,job,customer_reference,profile,bench,plateau,setpoint_c,source,outcome,reference_c,reference_sd_k,reference_n,"
    "reference_drift_k,channel,serial,type,certificate,n,raw_mean,raw_unit,mean_c,sd_k,error_k,error_sd_k,"
    "standard_error_k,faults,reference_outside,junction_outside,left_out,ending,head,"
    "standard_k,degrees_of_freedom,k,expanded_k,budget_gaps,tolerance,limit_k,conformance,verdict,direction\r\n";

void append_item(std::string& out, const Plateau& plateau, const Item& item, const Results& results) {
  const auto& channel = results.channels[item.readings.channel];
  std::size_t faults = 0;
  for (const auto& fault : item.readings.faults) faults += fault.count;
  CsvLine line(out);
  line.text(results.run).text(results.job).text(results.customer_reference).text(results.profile).text(results.bench);
  line.whole(plateau.index).number(plateau.setpoint_c).text(plateau.source).text(plateau.outcome);
  line.number(plateau.reference.mean_c).number(plateau.reference.sd_k);
  line.whole(plateau.reference.n).number(plateau.reference.drift_k);
  line.text(channel.name).text(channel.serial).text(channel.type).text(channel.certificate);
  line.whole(item.readings.n).number(item.readings.raw_mean).text(std::string(unit_suffix(channel.measures)));
  line.number(item.readings.mean_c).number(item.readings.sd_k);
  line.number(item.error_k).number(item.error_sd_k).number(item.standard_error_k);
  line.whole(faults).whole(item.reference_outside).whole(item.readings.junction_outside);
  line.text(channel.left_out.value_or("")).text(results.ending.value_or("not closed"));
  line.text(results.verification.head);
  const auto budget = item.budget.value_or(results::ItemBudget{});
  line.number(budget.standard_k).number(budget.degrees_of_freedom).number(budget.factor).number(budget.expanded_k);
  line.whole(budget.gaps.size());
  if (item.verdict)
    line.text(item.verdict->tolerance).number(item.verdict->limit_k).number(item.verdict->conformance);
  else
    line.text("").text("").text("");
  line.text(item.verdict ? std::string(name(item.verdict->answer)) : "");
  line.text(std::string(name(plateau.direction)));
  line.end();
}

}  // namespace

std::string csv(const Results& results) {
  std::string out = head_line;
  for (const Plateau& plateau : results.plateaus)
    for (const Item& item : plateau.items) append_item(out, plateau, item, results);
  return out;
}

}  // namespace nightwell::report
