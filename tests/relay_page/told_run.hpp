#pragma once
// A run told record by record, as its journal would.

#include <catch2/catch.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <string>

#include "relay/digest.hpp"
#include "relay/run_view.hpp"

namespace nightwell::relay_test {

using Json = nlohmann::ordered_json;

inline std::string utc_at(double up_s) {
  const int s = static_cast<int>(up_s);
  char text[40];
  std::snprintf(text, sizeof text, "2026-11-25T%02d:%02d:%02d.000000Z", 20 + s / 3600, s / 60 % 60, s % 60);
  return text;
}

struct ToldRun {
  relay::Digester digester;
  std::uint64_t n = 0;

  ToldRun& operator()(double up_s, const std::string& kind, Json body) {
    journal::Record record;
    record.n = n++;
    record.up = Instant{from_seconds(up_s)};
    record.utc = utc_at(up_s);
    record.kind = kind;
    record.body = std::move(body);
    digester.take(record);
    return *this;
  }
  [[nodiscard]] const relay::Digest& digest() const { return digester.digest(); }
  [[nodiscard]] relay::RunView view() const {
    relay::RunView out;
    out.id = "cold-1";
    out.digest = &digest();
    return out;
  }
};

inline Json card(std::size_t index, const char* name, const char* role) {
  return {{"channel", index},      {"name", name},
          {"role", role},          {"scanner", "s1"},
          {"address", 101},        {"measures", "temperature"},
          {"junction", nullptr},   {"serial", "SB-1"},
          {"type", "probe"},       {"model", {{"kind", "indicated"}}},
          {"lowest_c", -40.0},     {"highest_c", 100.0},
          {"certificate", "C-1"},  {"calibrated", "2026-01-10"},
          {"due", "2027-01-10"},   {"u95_k", 0.02},
          {"file", "cards/x.json"}};
}

inline Json sweep(std::uint64_t number, double started_s, Json raw) {
  Json out = {{"sweep", number}, {"order", "straight"}, {"purpose", "watch"}, {"plateau", 0}, {"started_s", started_s}};
  out["at_s"] = Json::array();
  for (std::size_t i = 0; i < raw.size(); ++i) out["at_s"].push_back(0.5 * static_cast<double>(i));
  out["raw"] = std::move(raw);
  return out;
}

inline Json phase(const char* name, Json plateau, Json setpoint_c, const char* why) {
  return {{"phase", name}, {"plateau", std::move(plateau)}, {"setpoint_c", std::move(setpoint_c)}, {"why", why}};
}

inline Json plateau_plan(std::size_t index, double setpoint_c) {
  return {{"plateau", index}, {"setpoint_c", setpoint_c}, {"source", "bath"}, {"band_k", 0.5}};
}

inline Json source_plan(const char* name, bool attended = false) {
  return {{"name", name}, {"attended", attended}};
}

// Opened, two plateaus planned, settling at the first.
inline void open(ToldRun& run, const std::string& bench = "cold room", const std::string& job = "probes 1 to 8",
                 Json sources = Json::array({source_plan("bath")})) {
  run(0, "opening",
      {{"run", "cold-1"},
       {"profile", "two points"},
       {"bench", bench},
       {"job", job},
       {"host", "bench-pc"},
       {"speed", 1},
       {"channels", {"r1", "c1"}},
       {"orders", {{"straight", {0, 1}}, {"references", {0}}}}});
  run(0, "plan", {{"sources", std::move(sources)}});
  run(0, "card", card(0, "r1", "reference"))(0, "card", card(1, "c1", "item"));
  run(0, "plateau_plan", plateau_plan(0, -25))(0, "plateau_plan", plateau_plan(1, 5));
  run(1, "phase", phase("opening", nullptr, nullptr, "started"));
  run(2, "phase", phase("approach", 0, -25.0, "plateau 1"));
  run(2, "command", {{"source", "bath"}, {"target_c", -25.0}, {"output", true}, {"why", "plateau 1"}});
  run(600, "phase", phase("settle", 0, -25.0, "in the band"));
}

}  // namespace nightwell::relay_test
