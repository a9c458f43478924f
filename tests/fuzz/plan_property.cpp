#include "fuzz/plan_property.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <vector>

#include "plan/plan_json.hpp"

namespace nightwell::tests {

namespace {

bool is_one_safe_line(const std::string& text) {
  return !text.empty() && std::none_of(text.begin(), text.end(),
                                       [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; });
}

std::string complaint_about(const std::vector<plan::Fault>& faults) {
  if (faults.empty()) return "neither a plan nor a fault";
  if (faults.size() > plan::most_faults + 1) return std::to_string(faults.size()) + " faults";
  for (const auto& fault : faults)
    if (!is_one_safe_line(plan::text(fault))) return "a fault whose text is not one safe line";
  return "";
}

bool junction_is_valid(const sequence::Plan& plan, const sequence::Channel& channel) {
  const auto* named = std::get_if<sequence::JunctionChannel>(&channel.junction);
  return named == nullptr ||
         (named->channel < plan.channels.size() && plan.channels[named->channel].role == sequence::Role::junction);
}

// Indices point to something, numbers are such that a night can be run with them, and the records can be written.
std::string complaint_about(const sequence::Plan& plan) {
  if (plan.survey.has_value() != plan.plateaus.empty()) return "neither a night nor a survey, or both";
  for (const auto& channel : plan.channels)
    if (channel.scanner >= plan.scanners.size() || !junction_is_valid(plan, channel))
      return "channel " + channel.name + " points nowhere";
  for (const auto& plateau : plan.plateaus) {
    if (plateau.source >= plan.sources.size()) return "a plateau without a source";
    const auto& source = plan.sources[plateau.source];
    if (!(plateau.setpoint_c >= source.lowest_c && plateau.setpoint_c <= source.highest_c))
      return "a setpoint beyond the source's limits";
    if (!(plateau.band_k > 0) || plateau.settle.window <= Duration::zero() || plateau.capture.sweeps < 1)
      return "a plateau that cannot end";
  }
  for (std::size_t i = 0; i < plan.channels.size(); ++i) (void)plan::card_record(plan, i).dump();
  for (std::size_t i = 0; i < plan.plateaus.size(); ++i) (void)plan::plateau_record(plan, i).dump();
  (void)plan::plan_record(plan).dump();
  return "";
}

}  // namespace

plan::InputFiles shipped_files() {
  const std::string top = NIGHTWELL_SOURCE_DIR;
  return plan::gather(top + "/profiles/cold-store.json", top + "/demo/bench.json", top + "/demo/job.json");
}

std::string complaint_about(const plan::InputFiles& files) {
  plan::LoadOptions options;
  options.today = "2026-11-25";
  return std::visit([](const auto& answer) { return complaint_about(answer); }, plan::load(files, options));
}

std::string complaint_about_plan_input(std::string_view input) {
  static const plan::InputFiles shipped = shipped_files();
  if (input.empty()) return "";
  auto files = shipped;
  std::vector<plan::FileText*> all = {&files.profile, &files.bench, &files.job};
  for (auto& [path, card] : files.cards) all.push_back(&card);
  all[static_cast<unsigned char>(input.front()) % all.size()]->text = input.substr(1);
  return complaint_about(files);
}

}  // namespace nightwell::tests
