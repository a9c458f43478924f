// A journal's records put together in memory, for tests: channels, plateaus, sweeps at given moments.
#pragma once

#include <catch2/catch.hpp>
#include <functional>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "journal/reader.hpp"
#include "results/results.hpp"

namespace nightwell::results::fixture {

using Json = nlohmann::ordered_json;

struct NightChannel {
  std::string name, role = "item", measures = "temperature";
  Json model = {{"kind", "indicated"}};
  Json junction = nullptr;
};

class Night {
 public:
  // `orders`: the visits of each kind of sweep, as indices of `channels`.
  Night(const std::vector<NightChannel>& channels, std::map<std::string, std::vector<std::size_t>> orders)
      : orders_(std::move(orders)) {
    Json names = Json::array(), order_json = Json::object();
    for (const auto& channel : channels) names.push_back(channel.name);
    for (const auto& [name, visits] : orders_) order_json[name] = visits;
    add("opening", {{"format", "nightwell-journal/1"},
                    {"run", "cold-store-0301"},
                    {"program", {{"name", "nightwelld"}, {"version", "0.1.0"}}},
                    {"host", "bench-pc"},
                    {"boot_id", "b"},
                    {"speed", 1},
                    {"profile", "cold-store"},
                    {"bench", "bath-1"},
                    {"job", "seed-bank-march"},
                    {"customer_reference", "shelf 4"},
                    {"files", Json::object()},
                    {"accepted_overdue", Json::array()},
                    {"channels", names},
                    {"orders", order_json}});
    for (std::size_t i = 0; i < channels.size(); ++i) card(i, channels[i]);
  }

  void card(std::size_t index, const NightChannel& channel) {
    add("card", {{"channel", index},
                 {"name", channel.name},
                 {"role", channel.role},
                 {"scanner", "s"},
                 {"address", 101},
                 {"measures", channel.measures},
                 {"junction", channel.junction},
                 {"serial", "SB-" + channel.name},
                 {"type", "probe"},
                 {"model", channel.model},
                 {"lowest_c", -80.0},
                 {"highest_c", 200.0},
                 {"certificate", "C-" + channel.name},
                 {"calibrated", "2026-01-10"},
                 {"due", "2027-01-10"},
                 {"u95_k", nullptr},
                 {"file", "cards/x.json"}});
  }

  void plan(std::size_t plateau, double setpoint_c, const std::string& placement = "after") {
    add("plateau_plan",
        {{"plateau", plateau},
         {"setpoint_c", setpoint_c},
         {"source", "bath"},
         {"band_k", 0.5},
         {"capture", {{"placement", placement}, {"order", "mirrored"}, {"sweeps", 1}, {"pause_s", 0.0}}}});
  }

  // Visit i is read at started_s + at_s[i]; `value` gives the raw value of a channel at a moment, nullopt a fault.
  using Value = std::function<std::optional<double>(std::size_t channel, double at_s)>;
  void sweep(const std::string& order, double started_s, const std::vector<double>& at_s, const Value& value,
             const std::string& purpose = "capture", std::size_t plateau = 0) {
    Json raw = Json::array(), faults = Json::object(), t_c = Json::array();
    for (std::size_t i = 0; i < at_s.size(); ++i) {
      const auto given = value(orders_.at(order).at(i), started_s + at_s[i]);
      raw.push_back(given ? Json(*given) : Json(nullptr));
      t_c.push_back(999.0);  // results must not look at it
      if (!given) faults[std::to_string(i)] = {{"code", "open_sensor"}, {"text", "nothing connected"}};
    }
    Json fields = {{"sweep", sweeps_++},     {"order", order}, {"purpose", purpose}, {"plateau", plateau},
                   {"started_s", started_s}, {"at_s", at_s},   {"raw", raw}};
    if (!faults.empty()) fields["faults"] = faults;
    if (purpose == "capture") fields["t_c"] = t_c;
    add("sweep", fields);
  }

  void close(std::size_t plateau, double setpoint_c, std::optional<std::uint64_t> first,
             std::optional<std::uint64_t> last, const std::string& outcome = "settled", const std::string& why = "") {
    add("plateau", {{"plateau", plateau},
                    {"setpoint_c", setpoint_c},
                    {"outcome", outcome},
                    {"first_sweep", first ? Json(*first) : Json(nullptr)},
                    {"last_sweep", last ? Json(*last) : Json(nullptr)},
                    {"window", nullptr},
                    {"why", why}});
  }

  void add(const std::string& kind, const Json& fields) {
    journal::Record record;
    record.n = records_.size();
    record.utc = "2026-03-01T21:14:05.000250Z";
    record.kind = kind;
    record.body = {{"n", record.n}, {"kind", kind}};
    record.body.update(fields);
    records_.push_back(record);
  }

  [[nodiscard]] std::vector<journal::Record>& records() { return records_; }
  [[nodiscard]] std::uint64_t sweeps() const { return sweeps_; }

  [[nodiscard]] Result<Results> compute() const {
    journal::Verification verification;
    verification.lines = records_.size();
    verification.head = std::string(64, 'a');
    return results::compute(records_, verification);
  }

  [[nodiscard]] Results results() const {
    auto computed = compute();
    if (!computed) FAIL(computed.error().text());
    return std::move(computed).value();
  }

 private:
  std::map<std::string, std::vector<std::size_t>> orders_;
  std::vector<journal::Record> records_;
  std::uint64_t sweeps_ = 0;
};

}  // namespace nightwell::results::fixture
