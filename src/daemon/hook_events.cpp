#include "daemon/hook_events.hpp"

#include <nlohmann/json.hpp>

namespace nightwell::daemon {

namespace {

std::string word_at(const nlohmann::ordered_json& fields, const char* key) {
  const auto found = fields.find(key);
  return found != fields.end() && found->is_string() ? found->get<std::string>() : std::string();
}

bool true_at(const nlohmann::ordered_json& fields, const char* key) {
  const auto found = fields.find(key);
  return found != fields.end() && found->is_boolean() && found->get<bool>();
}

// The event whose own name this word is, if it is one of the two or three that belong here.
std::optional<HookEvent> one_of_these(const std::string& word, std::initializer_list<HookEvent> events) {
  for (const HookEvent event : events)
    if (name(event) == word) return event;
  return std::nullopt;
}

}  // namespace

std::string_view name(HookEvent event) {
  for (const auto& [word, meaning] : hook_events)
    if (meaning == event) return word;
  return "unknown";
}

std::optional<HookEvent> EventsOfRun::of(std::string_view kind, const nlohmann::ordered_json& fields) {
  if (kind == "opened") return HookEvent::started;
  if (kind == "plateau")
    return one_of_these(word_at(fields, "outcome"), {HookEvent::settled, HookEvent::not_settled, HookEvent::skipped});
  if (kind == "ask") return HookEvent::waiting;
  if (kind == "phase") return one_of_these(word_at(fields, "phase"), {HookEvent::held, HookEvent::parked});
  if (kind == "overdue") return HookEvent::overdue;
  if (kind == "fault") return HookEvent::fault;
  if (kind == "left_out") return HookEvent::left_out;
  if (kind == "storage") return HookEvent::storage;
  if (kind == "closing")
    return word_at(fields, "ending") == "parked"
               ? HookEvent::closed_parked
               : one_of_these(word_at(fields, "ending"), {HookEvent::finished, HookEvent::stopped});
  if (kind == "park" && !true_at(fields, "confirmed") && !true_at(fields, "untouched")) {
    const std::string source = word_at(fields, "source");
    if (parking_.insert(source).second || !told_.insert(source).second) return std::nullopt;
    return HookEvent::not_confirmed;
  }
  return std::nullopt;
}

}  // namespace nightwell::daemon
