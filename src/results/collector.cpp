#include "results/collector.hpp"

#include <algorithm>
#include <iterator>

#include "plan/budget_json.hpp"
#include "results/budget.hpp"
#include "results/card.hpp"
#include "results/fields.hpp"
#include "results/hysteresis.hpp"
#include "results/sweep.hpp"

namespace nightwell::results {

namespace {

constexpr const char* first_format = "nightwell-journal/1";
constexpr const char* format = "nightwell-journal/2";
constexpr const char* doing = "working results out of a journal";

Error no_opening() {
  return {Errc::bad_input, doing, "its first record is no opening: it is not the journal of a run", ""};
}

// Sweeps that results may rest on; the others only watch.
bool counts(std::string_view purpose) {
  return purpose == "capture" || purpose == "window";
}

}  // namespace

void Collector::take(const journal::Record& record) {
  if (error_) return;
  const Fields fields(record, error_);
  if (record.kind == "opening") {
    out_.opened_utc = record.utc;
    take_opening(fields);
  } else if (!opened_) {
    error_ = no_opening();
  } else if (record.kind == "card") {
    take_card(fields);
  } else if (record.kind == "budget") {
    take_budget(fields);
  } else if (record.kind == "plateau_plan") {
    take_plateau_plan(fields);
  } else if (record.kind == "sweep") {
    take_sweep(sweep_record_of(fields, record));
  } else if (record.kind == "plateau") {
    take_plateau(fields);
  } else if (record.kind == "left_out") {
    take_left_out(fields);
  } else if (record.kind == "survey") {
    take_survey(fields);
  } else if (record.kind == "closing") {
    take_closing(fields);
  }
  out_.last_utc = record.utc;
}

void Collector::take(const journal::SweepRecord& record) {
  if (error_) return;
  if (!opened_) error_ = no_opening();
  take_sweep(record);
  out_.last_utc = record.utc;
}

void Collector::take_opening(const Fields& fields) {
  if (opened_) return fields.fail("a second opening");
  const std::string found = fields.text("format");
  if (!error_ && found != format && found != first_format) {
    error_ = Error{Errc::bad_input, doing,
                   "its format is " + found + ", and this version reads " + first_format + " and " + format, ""};
    return;
  }
  opened_ = true;
  out_.run = fields.text("run");
  out_.job = fields.text("job");
  out_.profile = fields.text("profile");
  out_.bench = fields.text("bench");
  out_.customer_reference = fields.text_or_null("customer_reference");
  out_.host = fields.text("host");
  out_.speed = fields.number("speed");
  out_.accepted_overdue = fields.texts("accepted_overdue");
  const Fields program = fields.object("program");
  out_.program_name = program.text("name");
  out_.program_version = program.text("version");
  for (auto& name : fields.texts("channels")) out_.channels.emplace_back().name = std::move(name);
  orders_ = orders_of(fields, out_.channels.size());
}

void Collector::take_card(const Fields& fields) {
  const std::size_t channel = fields.index("channel", out_.channels.size());
  Channel card = card_of(fields, out_.channels.size());
  if (!fields.ok()) return;
  if (!cards_.insert(channel).second) return fields.fail("a second card of channel " + card.name);
  if (card.name != out_.channels[channel].name) return fields.fail("the opening has another name for this channel");
  out_.channels[channel] = std::move(card);
}

void Collector::take_budget(const Fields& fields) {
  auto budget = plan::budget_from_json(fields.at("budget"));
  if (!fields.ok()) return;
  if (!budget) return fields.fail("\"budget\": " + budget.error().text());
  out_.lab_budget = std::move(budget).value();
}

void Collector::take_plateau_plan(const Fields& fields) {
  const auto index = static_cast<std::size_t>(fields.whole("plateau"));
  Planned planned;
  planned.setpoint_c = fields.number("setpoint_c");
  planned.source = fields.text("source");
  planned.band_k = fields.number("band_k");
  planned.inside = fields.object("capture").text("placement") == "inside";
  if (fields.ok() && !planned_.emplace(index, std::move(planned)).second) fields.fail("a second plan of this plateau");
}

void Collector::take_sweep(const journal::SweepRecord& record) {
  if (error_) return;
  if (!counts(record.purpose)) return take_start(record);
  if (!record.plateau) return;
  const auto fail = [&](const std::string& what) { error_ = damaged(place_of(record.n, "sweep"), what); };
  const auto planned = planned_.find(static_cast<std::size_t>(*record.plateau));
  if (planned == planned_.end()) return fail("its plateau was never planned");
  if (record.purpose == "window" && !planned->second.inside) return;
  auto sweep = sweep_of(record, orders_);
  if (!sweep)
    error_ = sweep.error();
  else if (!planned->second.sweeps.emplace(record.sweep, std::move(sweep.value().readings)).second)
    fail("a second sweep of this number");
}

// The first sweep in which every reference gave a temperature.
void Collector::take_start(const journal::SweepRecord& record) {
  if (start_c_ || !out_.plateaus.empty() || cards_.size() < out_.channels.size()) return;
  if (record.purpose != "preflight" && record.purpose != "watch") return;
  const auto read = sweep_of(record, orders_);
  if (!read) {
    error_ = read.error();
    return;
  }
  const Sweep& sweep = *read;
  if (const auto point = mean_reference(out_.channels, sweep, SweepConverter(out_.channels).temperatures_c(sweep)))
    start_c_ = point->value;
}

void Collector::check_cards(const Fields& fields) {
  for (std::size_t i = 0; i < out_.channels.size(); ++i)
    if (!cards_.contains(i)) return fields.fail("channel " + out_.channels[i].name + " has no card");
  for (const Channel& channel : out_.channels)
    if (const auto* junction = std::get_if<JunctionChannel>(&channel.junction))
      if (std::holds_alternative<JunctionChannel>(out_.channels[junction->channel].junction))
        return fields.fail("the junction of channel " + channel.name + " needs a junction channel itself");
}

void Collector::take_plateau(const Fields& fields) {
  Plateau plateau;
  plateau.index = static_cast<std::size_t>(fields.whole("plateau"));
  plateau.setpoint_c = fields.number("setpoint_c");
  plateau.outcome = fields.text("outcome");
  plateau.why = fields.text("why");
  plateau.first_sweep = fields.whole_or_null("first_sweep");
  plateau.last_sweep = fields.whole_or_null("last_sweep");
  const auto planned = planned_.find(plateau.index);
  if (planned == planned_.end()) return fields.fail("this plateau was never planned");
  if (planned->second.closed) return fields.fail("this plateau had closed before");
  check_cards(fields);
  if (!fields.ok()) return;

  std::vector<RawReading> readings;
  if (plateau.first_sweep && plateau.last_sweep) {
    auto& sweeps = planned->second.sweeps;
    const auto from = sweeps.lower_bound(*plateau.first_sweep);
    for (auto it = from; it != sweeps.end() && it->first <= *plateau.last_sweep; ++it) {
      if (it == from) readings.reserve(it->second.size() * sweeps.size());
      std::move(it->second.begin(), it->second.end(), std::back_inserter(readings));
      ++plateau.sweeps;
    }
    if (plateau.sweeps == 0) return fields.fail("the journal has none of the sweeps that it names");
  }
  plateau.source = planned->second.source;
  plateau.band_k = planned->second.band_k;
  planned->second.closed = true;
  planned->second.sweeps.clear();
  work_out(plateau, out_.channels, readings);
  out_.plateaus.push_back(std::move(plateau));
}

void Collector::take_left_out(const Fields& fields) {
  const std::string channel = fields.text("channel");
  const auto found =
      std::find_if(out_.channels.begin(), out_.channels.end(), [&](const Channel& one) { return one.name == channel; });
  if (found == out_.channels.end()) return fields.fail("\"channel\" is no channel that the opening names");
  found->left_out = fields.text("why");
}

void Collector::take_survey(const Fields& fields) {
  const auto& findings = fields.at("findings");
  if (!findings.is_array()) return fields.fail("\"findings\" is no list");
  for (const auto& finding : findings) {
    const Fields one = fields.element(finding, ", finding");
    out_.findings.push_back({one.text("channel"), one.text("finding"), one.text("text")});
  }
}

void Collector::take_closing(const Fields& fields) {
  out_.ending = fields.text("ending");
  out_.ending_why = fields.text("why");
}

Result<Results> Collector::finish(const journal::Verification& verification) && {
  if (error_) return *error_;
  if (!opened_) return Error{Errc::bad_input, doing, "it holds no record: the run never opened", ""};
  for (const auto& [index, planned] : planned_)
    if (!planned.closed) out_.unclosed.push_back({index, planned.setpoint_c});
  out_.verification = verification;
  set_directions(out_.plateaus, start_c_);
  out_.revisited = revisited(out_.plateaus);
  if (auto added = add_budgets(out_); !added) return added.error();
  return std::move(out_);
}

}  // namespace nightwell::results
