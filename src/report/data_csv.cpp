#include "report/data_csv.hpp"

#include <algorithm>

#include "report/csv_line.hpp"
#include "results/fields.hpp"
#include "results/sweep.hpp"

namespace nightwell::report {

namespace {

using results::Channel;
using results::Fields;
using results::Plateau;
using results::Results;
using results::Sweep;

constexpr const char* data_columns =
    "row,at_s,utc,sweep,purpose,order,plateau,setpoint_c,channel,role,serial,raw,raw_unit,t_c,fault,counts,"
    "outcome,first_sweep,last_sweep,from_s,to_s,reference_c,reference_sd_k,reference_drift_k,reference_n\r\n";

constexpr const char* no_plateau_cells = ",,,,,,,,";  // the last nine columns, empty

std::string plateau_line(const Plateau& plateau, const journal::Record& record) {
  std::string out;
  CsvLine line(out);
  const auto sweep = [&](const std::optional<std::uint64_t>& number) { number ? line.whole(*number) : line.nothing(); };
  line.text("plateau").number(up_s(record.up)).text(record.utc).nothing().nothing().nothing();
  line.whole(plateau.index).number(plateau.setpoint_c);
  for (int i = 0; i < 8; ++i) line.nothing();
  line.text(plateau.outcome);
  sweep(plateau.first_sweep);
  sweep(plateau.last_sweep);
  line.number(plateau.from_s).number(plateau.to_s);
  line.number(plateau.reference.mean_c).number(plateau.reference.sd_k).number(plateau.reference.drift_k);
  line.whole(plateau.reference.n).end();
  return out;
}

// The cells of a sweep that stand in each of its lines.
std::string sweep_cells(const Sweep& sweep, const std::string& utc, const Plateau* plateau) {
  std::string out;
  CsvLine line(out);
  line.text(utc).whole(sweep.number).text(sweep.purpose).text(sweep.order);
  sweep.plateau ? line.whole(*sweep.plateau) : line.nothing();
  plateau ? line.number(plateau->setpoint_c) : line.nothing();
  return out;
}

std::string channel_cells(const Channel& channel) {
  std::string out;
  CsvLine(out).text(channel.name).text(std::string(name(channel.role))).text(channel.serial);
  return out;
}

class DataTable {
 public:
  DataTable(const Results& results, const WriteText& write)
      : results_(results), write_(write), converter_(results.channels) {
    for (const Channel& channel : results.channels) channel_cells_.push_back(channel_cells(channel));
    put(data_columns);
  }

  void take(const journal::Record& record) {
    if (error_ || record.n >= results_.verification.lines) return;
    const Fields fields(record, error_);
    if (record.kind == "opening") orders_ = orders_of(fields, results_.channels.size());
    if (record.kind == "sweep") take_sweep(sweep_record_of(fields, record));
    if (record.kind != "plateau") return;
    const auto index = fields.whole("plateau");
    for (const Plateau& plateau : results_.plateaus)
      if (plateau.index == index) put(plateau_line(plateau, record));
  }

  void take(const journal::SweepRecord& record) {
    if (record.n < results_.verification.lines) take_sweep(record);
  }

  Result<void> finish() && {
    if (error_) return *error_;
    return {};
  }

 private:
  void put(std::string_view text) {
    const auto done = write_(text);
    if (!done && !error_) error_ = done.error();
  }

  // Whether the results rest on the sweep's readings: the same rule as theirs.
  [[nodiscard]] bool counts(const Sweep& sweep, const Plateau* plateau) const {
    if (!plateau || !plateau->first_sweep || !plateau->last_sweep) return false;
    const bool in_range = sweep.number >= *plateau->first_sweep && sweep.number <= *plateau->last_sweep;
    return in_range && (sweep.purpose == "capture" || sweep.purpose == "window");
  }

  void take_sweep(const journal::SweepRecord& record) {
    if (error_) return;
    const auto read = results::sweep_of(record, orders_);
    if (!read) {
      error_ = read.error();
      return;
    }
    const Sweep& sweep = *read;
    const auto t_c = converter_.temperatures_c(sweep);
    const auto found = std::find_if(results_.plateaus.begin(), results_.plateaus.end(),
                                    [&](const Plateau& one) { return sweep.plateau == one.index; });
    const Plateau* plateau = found == results_.plateaus.end() ? nullptr : &*found;
    const std::string of_sweep = sweep_cells(sweep, std::string(record.utc), plateau);
    const bool counting = counts(sweep, plateau);
    lines_.clear();
    for (std::size_t i = 0; i < sweep.readings.size(); ++i) {
      const auto& reading = sweep.readings[i];
      CsvLine line(lines_);
      line.cells("reading").number(reading.at_s).cells(of_sweep).cells(channel_cells_[reading.channel]);
      line.number(reading.raw).cells(unit_suffix(results_.channels[reading.channel].measures)).number(t_c[i]);
      reading.fault.empty() ? line.nothing() : line.text(reading.fault);
      line.cells(counting && reading.raw ? "1" : "0").cells(no_plateau_cells).end();
    }
    put(lines_);
  }

  const Results& results_;
  const WriteText& write_;
  results::SweepConverter converter_;
  std::vector<std::string> channel_cells_;
  std::string lines_;  // of the sweep at work; kept for its memory
  results::Orders orders_;
  std::optional<Error> error_;
};

}  // namespace

Result<void> write_data(const std::filesystem::path& path, const Results& results, const WriteText& write) {
  DataTable table(results, write);
  const auto take = [&](const auto& record) { table.take(record); };
  const auto verification = journal::read(path, take, take);
  if (!verification) return verification.error();
  return std::move(table).finish();
}

Result<void> write_data(std::span<const journal::Record> records, const Results& results, const WriteText& write) {
  DataTable table(results, write);
  for (const auto& record : records) table.take(record);
  return std::move(table).finish();
}

}  // namespace nightwell::report
