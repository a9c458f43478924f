#include "daemon/hooks_file.hpp"

#include <algorithm>

#include "plan/document.hpp"
#include "plan/object_reader.hpp"
#include "program/trusted_program.hpp"

namespace nightwell::daemon {

namespace {

using plan::FaultList;
using plan::ObjectReader;
using plan::Place;

constexpr const char* hooks_format = "nightwell-hooks/1";
constexpr int deepest_hooks_file = 16;
constexpr std::size_t most_faults_of_hooks = 100, most_benches = 100, longest_hook_name = 40;
constexpr plan::Range within_range_s{0.1, 600, "s"};

bool is_hook_name(const std::string& text) {
  const auto fits = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-' || c == '_'; };
  return !text.empty() && text.size() <= longest_hook_name && std::all_of(text.begin(), text.end(), fits);
}

bool has_controls(const std::string& text) {
  return std::any_of(text.begin(), text.end(), [](unsigned char c) { return c < 0x20 || c == 0x7f; });
}

std::vector<std::string> event_words() {
  std::vector<std::string> words;
  for (const auto& [word, event] : hook_events) words.emplace_back(word);
  return words;
}

std::vector<HookEvent> read_events(ObjectReader& reader) {
  std::vector<HookEvent> out;
  const auto elements = reader.list("on", 1, hook_events.size());
  if (!elements) return out;
  for (const auto& [value, place] : *elements) {
    const std::string word = value.is_string() ? value.get<std::string>() : "";
    const auto* const found =
        std::find_if(hook_events.begin(), hook_events.end(), [&](const auto& entry) { return entry.first == word; });
    if (found == hook_events.end())
      reader.faults().add(place, plan::shown(value), plan::one_of(event_words()));
    else if (std::find(out.begin(), out.end(), found->second) != out.end())
      reader.faults().add(place, plan::shown(value), "each word once");
    else
      out.push_back(found->second);
  }
  return out;
}

// Texts that are passed on to a program, or looked for among names of benches.
std::vector<std::string> read_texts(ObjectReader& reader, const char* key, std::size_t most, std::size_t shortest,
                                    std::size_t longest) {
  std::vector<std::string> out;
  const auto elements = reader.list(key, 1, most);
  if (!elements) return out;
  for (const auto& [value, place] : *elements) {
    const std::string* text = value.is_string() ? &value.get_ref<const std::string&>() : nullptr;
    if (!text || text->size() < shortest || text->size() > longest || has_controls(*text))
      reader.faults().add(place, plan::shown(value),
                          "text of " + std::to_string(shortest) + " to " + std::to_string(longest) +
                              " bytes without control characters");
    else
      out.push_back(*text);
  }
  return out;
}

Hook read_hook(const ObjectReader::Element& element, const std::vector<Hook>& before, FaultList& faults) {
  ObjectReader reader(element.value, element.place, faults);
  Hook hook;
  if (const auto name = reader.text("name")) {
    hook.name = *name;
    if (!is_hook_name(*name)) reader.refuse("name", "1 to 40 of a-z, 0-9, - and _");
    if (std::any_of(before.begin(), before.end(), [&](const Hook& other) { return other.name == *name; }))
      reader.refuse("name", "a name of its own");
  }
  hook.on = read_events(reader);
  hook.run = read_texts(reader, "run", most_arguments, 0, longest_argument);
  if (!hook.run.empty() && (hook.run[0].empty() || hook.run[0][0] != '/'))
    faults.add(reader.place("run") / std::size_t{0}, plan::in_quotes(hook.run[0]),
               "the absolute path of a program: it begins with /");
  hook.within = from_seconds(reader.number("within_s", within_range_s).value_or(within_range_s.low));
  if (reader.has("benches")) hook.benches = read_texts(reader, "benches", most_benches, 1, 100);
  reader.finish();
  return hook;
}

}  // namespace

std::variant<std::vector<Hook>, std::vector<plan::Fault>> read_hooks(const plan::FileText& file) {
  FaultList faults(most_faults_of_hooks);
  std::vector<Hook> hooks;
  if (const auto document = plan::parse_document(file, deepest_hooks_file, faults)) {
    ObjectReader reader(*document, {file.name, ""}, faults);
    (void)reader.word<int>("format", {{hooks_format, 1}});
    if (const auto elements = reader.list("hooks", 1, most_hooks))
      for (const auto& element : *elements) hooks.push_back(read_hook(element, hooks, faults));
    reader.finish();
  }
  if (!faults.empty()) return std::move(faults).take();
  return hooks;
}

Result<std::filesystem::path> trusted_hook(const std::string& path) {
  return program::trusted_program(path, "looking at a hook's program");
}

std::vector<plan::Fault> program_faults(const std::string& file, const std::vector<Hook>& hooks) {
  FaultList faults(most_faults_of_hooks);
  for (std::size_t i = 0; i < hooks.size(); ++i) {
    const auto program = trusted_hook(hooks[i].run[0]);
    if (program) continue;
    const Place place = Place{file, ""} / "hooks" / i / "run" / std::size_t{0};
    faults.add(place, plan::in_quotes(hooks[i].run[0]), "a program that only root or this user can change",
               program.error().where + ": " + program.error().detail);
  }
  return std::move(faults).take();
}

}  // namespace nightwell::daemon
