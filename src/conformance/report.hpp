// A conformance run as a document: Markdown that a lab can file, or JSON for programs. Pure. Everything that came from an
// instrument is escaped: control bytes and bytes beyond ASCII as \xNN.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

#include "conformance/findings.hpp"

namespace nightwell::conformance {

inline constexpr const char* report_format = "nightwell-conformance/1";

struct ReportHead {
  std::string date_utc, program_version;
  std::string driver;   // "scpi-source", "dialect"
  std::string dialect;  // its name; empty: none
  int dialect_revision = 0;
  std::string program;      // the file of a driver program; empty: none
  std::string file_sha256;  // of the dialect or program as it was read
  std::string instrument;   // its name on the bench, or what the person called it
  std::string port;         // "tcp:bath.lab:5025"; empty: a mirror was asked, no instrument
  std::string mirror;       // the dialect that the mirror was made of
  bool careful = false;
  std::string heat;  // what was set: "targets 22 to 23 °C at most 40 °C"; empty: nothing
};

[[nodiscard]] const char* name(Verdict verdict);  // "passed", "FAILED", "skipped"
// "all 31 cases passed" or "FAILED: 2 of 31 cases", with what was skipped.
[[nodiscard]] std::string summary(const Findings& findings);
// What passed on the line, one passage a line, the first `most` of them.
[[nodiscard]] std::string evidence_text(const std::vector<Passage>& passages, std::size_t most);

[[nodiscard]] std::string to_markdown(const ReportHead& head, const Findings& findings);
[[nodiscard]] nlohmann::ordered_json to_json(const ReportHead& head, const Findings& findings);

}  // namespace nightwell::conformance
