// One sound set of input files, small and complete, to be bent by tests: a bath, a scanner, a platinum reference, two
// items (a type T thermocouple whose junction a third sensor measures, and a Pt100), two plateaus.
#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "plan/loader.hpp"

namespace nightwell::tests {

struct Example {
  nlohmann::json profile, bench, job;
  std::map<std::string, nlohmann::json> cards;  // by path: "cards/reference.json", "cards/t.json", …
  std::string bench_directory = "/bench";

  // "profile", "bench", "job", or a card's path.
  [[nodiscard]] nlohmann::json& file(const std::string& name);
  [[nodiscard]] plan::InputFiles files() const;
};

[[nodiscard]] Example example();
// The same bench and job for a profile that only looks.
[[nodiscard]] Example survey_example();

// Sets, or adds, what stands at `pointer`.
void set(nlohmann::json& document, const std::string& pointer, nlohmann::json value);
void erase(nlohmann::json& document, const std::string& pointer);

inline constexpr const char* today = "2026-11-25";
[[nodiscard]] plan::LoadOptions on(const std::string& date = today);

// The plan; fails the running test with the faults' texts where there are any.
[[nodiscard]] sequence::Plan plan_of(const Example& files, const plan::LoadOptions& options = on());
// The faults; empty where it is a plan.
[[nodiscard]] std::vector<plan::Fault> faults_of(const plan::InputFiles& files,
                                                 const plan::LoadOptions& options = on());
[[nodiscard]] std::vector<plan::Fault> faults_of(const Example& files, const plan::LoadOptions& options = on());
// All texts, a line each.
[[nodiscard]] std::string texts(const std::vector<plan::Fault>& faults);

}  // namespace nightwell::tests
