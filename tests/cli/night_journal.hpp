#pragma once
// A small journal as the daemon writes it: one reference, one item, one plateau of one sweep, after one sweep of watching in
// which the item was open.

#include <catch2/catch.hpp>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>

#include "journal/writer.hpp"

namespace nightwell::cli_test {

inline nlohmann::ordered_json card_record(std::size_t index, const char* name, const char* role) {
  return {{"channel", index},       {"name", name},
          {"role", role},           {"scanner", "s1"},
          {"address", 101 + index}, {"measures", "temperature"},
          {"junction", nullptr},    {"serial", std::string("SB-") + name},
          {"type", "probe"},        {"model", {{"kind", "indicated"}}},
          {"lowest_c", -40.0},      {"highest_c", 100.0},
          {"certificate", "C-1"},   {"calibrated", "2026-01-10"},
          {"due", "2027-01-10"},    {"u95_k", 0.02},
          {"file", "cards/x.json"}};
}

inline nlohmann::ordered_json opening_record() {
  nlohmann::ordered_json out = {{"format", "nightwell-journal/1"},
                                {"run", "cold-1"},
                                {"host", "bench-pc"},
                                {"boot_id", "b"},
                                {"speed", 1},
                                {"profile", "p"},
                                {"bench", "b"},
                                {"job", "j"},
                                {"customer_reference", "=1+1"},
                                {"accepted_overdue", nlohmann::ordered_json::array()}};
  out["program"] = {{"name", "nightwelld"}, {"version", "0.1.0"}};
  out["files"]["cards/x.json"] = std::string(64, 'c');
  out["channels"] = {"r1", "c1"};
  out["orders"]["straight"] = {0, 1};
  return out;
}

inline nlohmann::ordered_json plateau_plan_record() {
  nlohmann::ordered_json out = {{"plateau", 0}, {"setpoint_c", 15.0}, {"source", "bath"}, {"band_k", 0.5}};
  out["settle"] = {
      {"window_s", 600.0}, {"largest_drift_k", 0.01}, {"largest_spread_k", 0.02}, {"item_drift_k", nullptr}};
  out["capture"] = {{"placement", "after"}, {"order", "straight"}, {"sweeps", 1}, {"pause_s", 0.0}};
  for (const char* phase : {"approach_limit", "settle_limit", "capture_limit"})
    out[phase] = {{"within_s", 3600.0}, {"otherwise", "park"}};
  return out;
}

inline nlohmann::ordered_json sweep_record(int number, const char* purpose, nlohmann::ordered_json raw,
                                           nlohmann::ordered_json faults) {
  nlohmann::ordered_json out = {
      {"sweep", number}, {"order", "straight"}, {"purpose", purpose}, {"plateau", 0}, {"started_s", 10.0}};
  out["at_s"] = {0.0, 0.5};
  out["raw"] = std::move(raw);
  out["faults"] = std::move(faults);
  return out;
}

// One plateau of one sweep, after one of watching in which the item was open; closed only where an ending is given.
inline std::filesystem::path write_night(const std::filesystem::path& path, const std::string& ending) {
  auto writer = nightwell::journal::Writer::create(path);
  REQUIRE(writer.ok());
  const auto append = [&](const char* kind, const nlohmann::ordered_json& fields) {
    REQUIRE(writer.value().append(kind, fields, {"2026-11-25T20:15:00.000000Z", {}}).ok());
  };
  append("opening", opening_record());
  append("plan", {{"sampling", {{"every_s", 5.0}}}});
  append("card", card_record(0, "r1", "reference"));
  append("card", card_record(1, "c1", "item"));
  append("plateau_plan", plateau_plan_record());
  append("sweep", sweep_record(0, "watch", {15.5, nullptr}, {{"1", {{"code", "open_sensor"}, {"text", "open"}}}}));
  append("sweep", sweep_record(1, "capture", {15.0, 15.25}, nlohmann::ordered_json::object()));
  append("plateau", {{"plateau", 0},
                     {"setpoint_c", 15.0},
                     {"outcome", "settled"},
                     {"first_sweep", 1},
                     {"last_sweep", 1},
                     {"window", nullptr},
                     {"why", ""}});
  if (!ending.empty()) append("closing", {{"ending", ending}, {"why", "done"}});
  return path;
}

}  // namespace nightwell::cli_test
