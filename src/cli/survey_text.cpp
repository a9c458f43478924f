#include "cli/survey_text.hpp"

#include <vector>

#include "cli/look.hpp"

namespace nightwell::cli {
namespace {

using nlohmann::json;

std::string reading(const json& channel) {
  const auto t_c = number_at(channel, "t_c");
  return t_c ? fixed(*t_c, 3) + " °C" : std::string("-");
}

const json& finding_of(const json& findings, const std::string& channel) {
  for (const json& finding : findings)
    if (raw_text_at(finding, "channel") == channel) return finding;
  static const json nothing;
  return nothing;
}

}  // namespace

std::string survey_text(const json& status) {
  const json& findings = list_at(at(status, "survey"), "findings");
  const bool whole = raw_text_at(status, "ending") == "finished";
  std::string out = !whole             ? "DID NOT FINISH: nothing is known of a channel without a reading\n"
                    : findings.empty() ? "nothing found wrong\n"
                                       : "";
  for (const json& finding : findings)
    out += text_at(finding, "channel") + ": " + words(raw_text_at(finding, "finding")) + ", " +
           text_at(finding, "text") + "\n";
  std::vector<std::vector<std::string>> rows = {{"CHANNEL", "ROLE", "SERIAL", "TYPE", "READS", "FINDING"}};
  for (const json& channel : list_at(status, "channels")) {
    std::string remark = words(raw_text_at(finding_of(findings, raw_text_at(channel, "name")), "finding"));
    if (remark.empty()) remark = words(raw_text_at(channel, "fault"));
    rows.push_back({text_at(channel, "name"), text_at(channel, "role"), text_at(channel, "serial"),
                    text_at(channel, "type"), reading(channel), remark});
  }
  return out + "\n" + table(rows);
}

}  // namespace nightwell::cli
