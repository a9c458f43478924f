#include "plan/example.hpp"

#include <catch2/catch.hpp>

namespace nightwell::tests {

using nlohmann::json;

namespace {

json profile() {
  return json::parse(R"({
    "format": "nightwell-profile/1",
    "profile": "two plateaus",
    "sampling": {"every_s": 5, "items_every_s": 60},
    "guards": {"item_highest_c": 90, "stale_s": 60, "heating": {"window_s": 600, "gain_k": 1.0}},
    "cooldown": {"target_c": 20, "leave_between_c": [5, 40], "within_s": 7200, "otherwise": "park"},
    "plateau_defaults": {
      "band_k": 0.5,
      "settle": {"window_s": 600, "largest_drift_k": 0.01, "largest_spread_k": 0.02},
      "capture": {"placement": "after", "order": "mirrored", "sweeps": 5, "pause_s": 5},
      "limits": {
        "approach": {"within_s": 7200, "otherwise": "park"},
        "settle": {"within_s": 3600, "otherwise": "capture"},
        "capture": {"within_s": 600, "otherwise": "skip"}
      }
    },
    "plateaus": [
      {"setpoint_c": -25},
      {"setpoint_c": 60, "band_k": 0.2, "settle": {"window_s": 900, "item_drift_k": 0.05},
       "capture": {"placement": "inside", "sweeps": 3}}
    ]
  })");
}

json bench() {
  return json::parse(R"({
    "format": "nightwell-bench/1",
    "bench": "cold-store bench",
    "scanners": {
      "scanner-a": {"driver": "scpi-scanner", "port": {"type": "tcp", "host": "scanner-a", "port": 5025}, "reply_s": 2}
    },
    "sources": {
      "bath": {
        "kind": "bath", "driver": "scpi-source",
        "port": {"type": "serial", "path": "/dev/serial/by-id/usb-adapter-0001", "baud": 9600, "data_bits": 8,
                 "parity": "none", "stop_bits": 1, "flow": "none"},
        "reply_s": 2, "identity": "bath", "lowest_c": -40, "highest_c": 120, "safe_c": 20, "absolute_highest_c": 130,
        "lease_s": 30, "poll_s": 5, "stale_s": 10, "heating": {"window_s": 300, "gain_k": 2}
      }
    },
    "channels": {
      "block": {"scanner": "scanner-a", "address": 101, "measures": "resistance"},
      "pt": {"scanner": "scanner-a", "address": 102, "measures": "resistance"},
      "reference": {"scanner": "scanner-a", "address": 103, "measures": "resistance"},
      "t": {"scanner": "scanner-a", "address": 104, "measures": "voltage", "junction": {"channel": "block"}}
    }
  })");
}

json job() {
  return json::parse(R"({
    "format": "nightwell-job/1",
    "job": "autumn",
    "customer_reference": "SB-2026-041",
    "references": [{"channel": "reference", "card": "cards/reference.json"}],
    "items": [{"channel": "t", "card": "cards/t.json"}, {"channel": "pt", "card": "cards/pt.json"}],
    "junctions": [{"channel": "block", "card": "cards/block.json"}]
  })");
}

json card(const char* serial, const char* type, json model, double lowest_c, double highest_c) {
  return {{"format", "nightwell-card/1"}, {"serial", serial},     {"type", type},
          {"model", std::move(model)},    {"lowest_c", lowest_c}, {"highest_c", highest_c}};
}

json reference_card() {
  json out = card("SB-REF-02", "platinum reference", {{"kind", "platinum"}, {"r0_ohm", 100.0123}}, -50, 150);
  out["certificate"] = "SB-REF-02/2026";
  out["calibrated"] = "2026-03-04";
  out["due"] = "2027-03-04";
  out["u95_k"] = 0.012;
  return out;
}

plan::FileText file_text(const std::string& name, const json& document) {
  return {name, document.dump(2), ""};
}

}  // namespace

Example example() {
  Example out{profile(), bench(), job(), {}};
  const json pt100 = {{"kind", "platinum"}, {"r0_ohm", 100.0}};
  out.cards["cards/reference.json"] = reference_card();
  out.cards["cards/t.json"] = card("SB-T-01", "type T", {{"kind", "thermocouple"}, {"type", "T"}}, -40, 100);
  out.cards["cards/pt.json"] = card("SB-P-01", "Pt100", pt100, -40, 150);
  out.cards["cards/block.json"] = card("SB-BLK-01", "Pt100 in the terminal block", pt100, 0, 60);
  return out;
}

Example survey_example() {
  Example out = example();
  out.profile = json::parse(R"({"format": "nightwell-profile/1", "profile": "look",
    "survey": {"every_s": 30, "lasts_s": 300, "expected_c": 21, "outlier_k": 2}})");
  return out;
}

json& Example::file(const std::string& name) {
  if (name == "profile") return profile;
  if (name == "bench") return bench;
  if (name == "job") return job;
  return cards.at(name);
}

plan::InputFiles Example::files() const {
  plan::InputFiles out;
  out.profile = file_text("profile", profile);
  out.bench = file_text("bench", bench);
  out.job = file_text("job", job);
  for (const auto& [path, document] : cards) out.cards[path] = file_text(path, document);
  out.bench_directory = bench_directory;
  return out;
}

void set(json& document, const std::string& pointer, json value) {
  document[json::json_pointer(pointer)] = std::move(value);
}

void erase(json& document, const std::string& pointer) {
  const json::json_pointer at(pointer);
  json& parent = document.at(at.parent_pointer());
  if (parent.is_array())
    parent.erase(std::stoul(at.back()));
  else
    REQUIRE(parent.erase(at.back()) == 1);
}

plan::LoadOptions on(const std::string& date) {
  plan::LoadOptions options;
  options.today = date;
  return options;
}

std::vector<plan::Fault> faults_of(const plan::InputFiles& files, const plan::LoadOptions& options) {
  auto loaded = plan::load(files, options);
  if (auto* faults = std::get_if<std::vector<plan::Fault>>(&loaded)) return std::move(*faults);
  return {};
}

std::vector<plan::Fault> faults_of(const Example& files, const plan::LoadOptions& options) {
  return faults_of(files.files(), options);
}

std::string texts(const std::vector<plan::Fault>& faults) {
  std::string out;
  for (const auto& fault : faults) out += plan::text(fault) + "\n";
  return out;
}

sequence::Plan plan_of(const Example& files, const plan::LoadOptions& options) {
  auto loaded = plan::load(files.files(), options);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&loaded)) FAIL(texts(*faults));
  return std::get<sequence::Plan>(std::move(loaded));
}

}  // namespace nightwell::tests
