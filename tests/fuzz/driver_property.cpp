#include "fuzz/driver_property.hpp"

#include <cmath>

#include "program/last_words.hpp"
#include "program/protocol.hpp"

namespace nightwell::tests {

namespace {

namespace lines = program;  // its words are those of codecs, too

const lines::Ask every_ask[] = {lines::Identify(),      lines::Configure(),  lines::Read(),
                                lines::SetTarget(),     lines::ReadTarget(), lines::ReadTemperature(),
                                lines::SetOutput{true}, lines::ReadOutput()};

std::string complaint_about_value(const lines::Value& value, const lines::Ask& ask) {
  const auto* number = std::get_if<double>(&value);
  const auto* reading = std::get_if<instrument::Reading>(&value);
  if (number != nullptr && !(std::abs(*number) <= 1e30)) return "a number beyond 1e30";
  if (reading != nullptr && !(std::abs(reading->value) <= 1e30)) return "a reading beyond 1e30";
  const bool is_setting = std::holds_alternative<lines::Done>(value);
  const bool asked_setting = std::holds_alternative<lines::Configure>(ask) ||
                             std::holds_alternative<lines::SetTarget>(ask) ||
                             std::holds_alternative<lines::SetOutput>(ask);
  return is_setting == asked_setting ? "" : "a value of another kind than was asked for";
}

// The host's side, and what the driver's side would say of the same: written again it reads back the same.
std::string complaint_about_answer_line(const std::string& line) {
  const auto id = lines::answered_id(line);
  for (const lines::Ask& ask : every_ask) {
    const auto answer = lines::parse_answer(line, ask);
    if (!answer) {
      if (answer.error().detail.empty()) return "an error that says nothing";
      continue;
    }
    if (!id || *id != answer->id) return "two ids of one line";
    if (answer->value)
      if (std::string complaint = complaint_about_value(*answer->value, ask); !complaint.empty()) return complaint;
    std::string again = lines::to_line(*answer);
    if (again.size() > lines::longest_line + 1) return "an answer that does not fit into a line";
    again.pop_back();
    const auto same = lines::parse_answer(again, ask);
    if (!same || same->id != answer->id || same->value.ok() != answer->value.ok())
      return "an answer that does not read back";
  }
  return "";
}

std::string complaint_about_other_line(const std::string& line) {
  if (const auto hello = lines::parse_hello(line); hello && hello->reply < Duration(0)) return "a time below zero";
  (void)lines::parse_welcome(line);
  const auto request = lines::parse_request(line);
  if (!request) return request.error().detail.empty() ? "an error that says nothing" : "";
  if (request->id == 0) return "the id 0";
  const auto* set = std::get_if<lines::SetTarget>(&request->ask);
  return set != nullptr && !std::isfinite(set->t_c) ? "a target that is not finite" : "";
}

}  // namespace

std::string complaint_about_driver_bytes(std::string_view bytes) {
  lines::LineCutter cutter;
  lines::LastWords words;
  for (std::size_t at = 0; at < bytes.size(); at += 97) {
    cutter.add(bytes.substr(at, 97));
    while (const auto line = cutter.next()) {
      if (line->size() > lines::longest_line || line->find('\n') != std::string::npos) return "a line that is none";
      if (std::string complaint = complaint_about_answer_line(*line); !complaint.empty()) return complaint;
      if (std::string complaint = complaint_about_other_line(*line); !complaint.empty()) return complaint;
    }
    for (const auto& passed : words.add(bytes.substr(at, 97), {}))
      for (const char c : passed)
        if (c < 0x20 || c > 0x7e) return "a line for the log that is not printable";
  }
  return "";
}

}  // namespace nightwell::tests
