#include "conformance/report.hpp"

#include <nlohmann/json.hpp>

#include "journal/wording.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::conformance {

namespace {

constexpr std::size_t longest_shown = 160;  // bytes of a passage
constexpr std::size_t most_in_report = 60;  // passages of a case

const char* sign(Passage::Way way) {
  switch (way) {
    case Passage::Way::to_instrument: return "driver -> instrument   ";
    case Passage::Way::kept_from_instrument: return "driver -> (held back)  ";
    case Passage::Way::from_instrument: return "instrument said        ";
    case Passage::Way::to_driver: return "driver <- was given    ";
    case Passage::Way::note: return "                       ";
  }
  return "";
}

std::string escaped(const std::string& bytes) {
  return instrument::printable(bytes, longest_shown);
}

// A cell of a Markdown table.
std::string cell(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '|' || c == '\\' || c == '`' || c == '*' || c == '_' || c == '<' || c == '[') out += '\\';
    out += static_cast<unsigned char>(c) < 0x20 ? ' ' : c;
  }
  return out;
}

std::string heat_text(const ReportHead& head) {
  if (head.careful) return "nothing was set (careful)";
  return head.heat.empty() ? "nothing was set" : head.heat;
}

std::string against(const ReportHead& head) {
  return head.port.empty() ? "a mirror made of the dialect " + head.mirror + ": NO INSTRUMENT WAS ASKED" : head.port;
}

}  // namespace

const char* name(Verdict verdict) {
  switch (verdict) {
    case Verdict::passed: return "passed";
    case Verdict::failed: return "FAILED";
    case Verdict::skipped: return "skipped";
  }
  return "";
}

std::string summary(const Findings& findings) {
  const auto all = std::to_string(findings.outcomes.size());
  const auto bad = findings.count(Verdict::failed), left_out = findings.count(Verdict::skipped);
  std::string out = bad > 0 ? "FAILED: " + std::to_string(bad) + " of " + all + " cases"
                    : findings.passed()
                        ? std::to_string(findings.count(Verdict::passed)) + " of " + all + " cases passed, none failed"
                        : "NOT FINISHED: no case of the " + all + " that were tried failed";
  if (left_out > 0) out += ", " + std::to_string(left_out) + " skipped";
  if (!findings.ended_early.empty()) out += "; ended early: " + journal::shown(findings.ended_early);
  return out;
}

std::string evidence_text(const std::vector<Passage>& passages, std::size_t most) {
  std::string out;
  for (std::size_t i = 0; i < passages.size() && i < most; ++i)
    out += sign(passages[i].way) + escaped(passages[i].bytes) + "\n";
  if (passages.size() > most) out += "… and " + std::to_string(passages.size() - most) + " more\n";
  return out;
}

std::string to_markdown(const ReportHead& head, const Findings& findings) {
  std::string out = "# Conformance of the driver " + cell(head.dialect.empty() ? head.driver : head.dialect) + "\n\n";
  out += "**" + cell(summary(findings)) + "**\n\n| | |\n| --- | --- |\n";
  const auto row = [&out](const char* what, const std::string& value) {
    out += std::string("| ") + what + " | " + cell(value) + " |\n";
  };
  row("date", head.date_utc);
  row("program", "nightwell " + head.program_version);
  row("driver", head.driver);
  if (!head.dialect.empty()) {
    row("dialect", head.dialect + ", revision " + std::to_string(head.dialect_revision));
    row("SHA-256 of its file", head.file_sha256);
  }
  if (!head.program.empty()) {
    row("its program", head.program);
    row("SHA-256 of its file", head.file_sha256);
  }
  row("instrument", head.instrument);
  row("asked on", against(head));
  row("identity", instrument::printable(findings.identity));
  row("heat", heat_text(head));
  out += "\n| case | state | what happened | verdict | s |\n| --- | --- | --- | --- | --- |\n";
  for (const Outcome& outcome : findings.outcomes)
    out += "| " + cell(outcome.subject) + " | " + cell(outcome.condition) + " | " +
           cell(journal::shown(outcome.happened)) + " | " + name(outcome.verdict) + " | " +
           journal::fixed(outcome.seconds, 1) + " |\n";
  out += "\n## What passed on the line\n";
  for (const Outcome& outcome : findings.outcomes) {
    if (outcome.evidence.empty()) continue;
    out += "\n### " + cell(outcome.subject) + (outcome.condition.empty() ? "" : ": " + cell(outcome.condition)) + " (" +
           name(outcome.verdict) + ")\n\n";
    // Indented, so that nothing an instrument says is read as Markdown.
    std::string text = evidence_text(outcome.evidence, most_in_report);
    while (!text.empty()) {
      const std::size_t end = text.find('\n');
      out += "    " + text.substr(0, end) + "\n";
      text.erase(0, end + 1);
    }
  }
  return out;
}

nlohmann::ordered_json to_json(const ReportHead& head, const Findings& findings) {
  using Ordered = nlohmann::ordered_json;
  Ordered out = {{"format", report_format},
                 {"passed", findings.passed()},
                 {"summary", summary(findings)},
                 {"date_utc", head.date_utc},
                 {"program_version", head.program_version},
                 {"driver", head.driver},
                 {"dialect", nullptr},
                 {"program", nullptr},
                 {"instrument", head.instrument},
                 {"port", nullptr},
                 {"mirror", nullptr},
                 {"identity", instrument::printable(findings.identity)},
                 {"careful", head.careful},
                 {"heat", heat_text(head)},
                 {"ended_early", nullptr}};
  if (!head.dialect.empty())
    out["dialect"] = {{"name", head.dialect}, {"revision", head.dialect_revision}, {"sha256", head.file_sha256}};
  if (!head.program.empty()) out["program"] = {{"file", head.program}, {"sha256", head.file_sha256}};
  if (!head.mirror.empty()) out["mirror"] = head.mirror;
  if (!head.port.empty()) out["port"] = head.port;
  if (!findings.ended_early.empty()) out["ended_early"] = findings.ended_early;
  Ordered cases = Ordered::array();
  for (const Outcome& outcome : findings.outcomes) {
    Ordered line = Ordered::array();
    for (const Passage& passage : outcome.evidence) {
      static constexpr const char* ways[] = {"to_instrument", "held_back", "from_instrument", "to_driver", "note"};
      line.push_back({{"way", ways[static_cast<std::size_t>(passage.way)]}, {"bytes", escaped(passage.bytes)}});
    }
    cases.push_back({{"case", outcome.subject},
                     {"state", outcome.condition},
                     {"happened", journal::shown(outcome.happened)},
                     {"verdict", outcome.verdict == Verdict::failed ? "failed" : name(outcome.verdict)},
                     {"seconds", outcome.seconds},
                     {"line", std::move(line)}});
  }
  out["cases"] = std::move(cases);
  return out;
}

}  // namespace nightwell::conformance
