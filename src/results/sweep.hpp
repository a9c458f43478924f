// A sweep as its journal record has it, and the temperatures of its readings.
//
// Units: times in seconds of the run, raw values in volt, ohm, ampere or °C, temperatures t90 in °C.
// Errors: Fields keeps the first thing that is not as docs/journal.md says.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "results/fields.hpp"
#include "results/plateau.hpp"
#include "results/results.hpp"
#include "results/series.hpp"

namespace nightwell::results {

// The visits of each kind of sweep, as channel indices in order: `orders` of the opening record.
using Orders = std::map<std::string, std::vector<std::size_t>>;
[[nodiscard]] Orders orders_of(const Fields& opening, std::size_t channels);

struct Sweep {
  std::uint64_t number = 0;
  std::string order;
  std::string purpose;                   // preflight, watch, window, capture, survey
  std::optional<std::uint64_t> plateau;  // index
  std::vector<RawReading> readings;      // in the order they were read
};

// A sweep's record that was read in the general way (`fields` are those of `record`). Whether they were sound is fields.ok().
[[nodiscard]] journal::SweepRecord sweep_record_of(const Fields& fields, const journal::Record& record);

// Its readings with their channels. Errors: damaged (an order that the opening does not have, or of another length).
[[nodiscard]] Result<Sweep> sweep_of(const journal::SweepRecord& record, const Orders& orders);

// Readings of one sweep after another as temperatures, for plots and tables of single readings.
//
// A thermocouple's junction temperature is that of its junction channel on the line between the readings of the same
// sweep before and after, at the ends the nearest; in a sweep without one the last known. Results take the line through
// a whole plateau instead (plateau.hpp): at the ends of a sweep the two differ by what the junction does in between.
class SweepConverter {
 public:
  enum class Which { all, references };

  // `which`: the channels that are wanted; the others' readings have no temperature then.
  explicit SweepConverter(const std::vector<Channel>& channels, Which which = Which::all);

  // As many as the sweep has readings; nullopt where a reading has no value, or one that no temperature belongs to.
  [[nodiscard]] std::vector<std::optional<double>> temperatures_c(const Sweep& sweep);

 private:
  enum class Use { none, wanted, junction };  // junction: another channel that is wanted needs it

  void convert(const Sweep& sweep, Use use, std::vector<std::optional<double>>& t_c) const;
  void keep_junctions(const Sweep& sweep, const std::vector<std::optional<double>>& t_c);

  const std::vector<Channel>& channels_;
  std::vector<Use> uses_;
  std::vector<Series> junctions_;  // of the sweep, by channel
  std::vector<std::optional<double>> last_junction_c_;
};

// The reference in a sweep: of each reference the mean of its temperatures and of their moments, of two the mean.
// nullopt unless every reference gave a temperature.
[[nodiscard]] std::optional<Point> mean_reference(const std::vector<Channel>& channels, const Sweep& sweep,
                                                  const std::vector<std::optional<double>>& t_c);

}  // namespace nightwell::results
