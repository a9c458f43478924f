#include "fuzz/text_property.hpp"

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "nightwell/instrument/scpi.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::tests {

namespace {

template <class T>
std::string complaint_about_error(const Result<T>& result) {
  if (result) return "";
  const Errc code = result.error().code;
  if (code != Errc::garbled && code != Errc::overload && code != Errc::open_sensor) return "an error of another kind";
  return result.error().detail.empty() ? "an error that says nothing" : "";
}

// C's own reader takes hexadecimal, blanks and words too; the alphabet excludes them.
std::string complaint_about_number(std::string_view text) {
  const auto value = instrument::parse_scpi_number(text);
  if (!value) return complaint_about_error(value);
  if (!std::isfinite(*value) || std::abs(*value) > 1e30) return "a number beyond what a reply may hold";
  if (text.find_first_not_of("+-.0123456789eE") != std::string_view::npos) return "a number of other characters";
  const std::string whole(text);
  char* end = nullptr;
  const double other = std::strtod(whole.c_str(), &end);
  if (end != whole.c_str() + whole.size()) return "a number that C does not read to its end";
  return other == *value ? "" : "a number that C reads otherwise";
}

}  // namespace

std::string complaint_about_reply(std::string_view text) {
  if (auto complaint = complaint_about_number(text); !complaint.empty()) return complaint;
  const auto state = instrument::parse_scpi_boolean(text);
  if (state && text != "0" && text != "1") return "a truth value of other text";
  if (auto complaint = complaint_about_error(state); !complaint.empty()) return complaint;
  const auto entry = instrument::parse_scpi_error(text);
  if (auto complaint = complaint_about_error(entry); !complaint.empty()) return complaint;
  const auto identity = instrument::parse_scpi_identity(text);
  if (identity && (instrument::parse_scpi_number(text) || state || entry)) return "an identity that is a value too";
  const std::string shown = instrument::printable(text, text.size());
  // Uncut: what is cut ends with an ellipsis.
  const bool safe = std::all_of(shown.begin(), shown.end(), [](char c) { return c >= ' ' && c <= '~'; });
  return safe ? complaint_about_error(identity) : "text for messages that is not printable";
}

std::string complaint_about_wire_log(std::string_view text) {
  const auto log = wire_log::parse(text);
  if (!log) {
    if (log.error().code != Errc::bad_input) return "an error of another kind";
    return log.error().detail.starts_with("line ") ? "" : "an error without its line";
  }
  for (const wire_log::Step& step : log->steps) {
    if (step.wait.count() < 0 || step.wait > wire_log::longest_wait) return "a wait that is none";
    if (step.mark != wire_log::Mark::sent && step.mark != wire_log::Mark::received) continue;
    const auto again = wire_log::parse("< " + wire_log::escaped(step.text) + "\n");
    if (!again || again->steps.size() != 1 || again->steps[0].text != step.text)
      return "bytes that change when written";
  }
  return "";
}

}  // namespace nightwell::tests
