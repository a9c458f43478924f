// Which records hooks are told of: the table of docs/hooks.md.
#include "daemon/hook_events.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace nightwell::daemon;

namespace {

std::string word_of(const char* kind, const nlohmann::ordered_json& fields) {
  const auto event = EventsOfRun().of(kind, fields);
  return event ? std::string(name(*event)) : "";
}

}  // namespace

TEST_CASE("a record stands for the word that the document gives it, or for none") {
  CHECK(word_of("opened", {}) == "started");
  CHECK(word_of("plateau", {{"outcome", "settled"}}) == "settled");
  CHECK(word_of("plateau", {{"outcome", "not_settled"}}) == "not_settled");
  CHECK(word_of("plateau", {{"outcome", "skipped"}}) == "skipped");
  CHECK(word_of("ask", {{"text", "set it to 25"}}) == "waiting");
  CHECK(word_of("phase", {{"phase", "held"}}) == "held");
  CHECK(word_of("phase", {{"phase", "parked"}}) == "parked");
  CHECK(word_of("phase", {{"phase", "waiting"}}).empty());  // the question stands for it
  CHECK(word_of("phase", {{"phase", "finished"}}).empty());
  CHECK(word_of("overdue", {}) == "overdue");
  CHECK(word_of("fault", {}) == "fault");
  CHECK(word_of("left_out", {}) == "left_out");
  CHECK(word_of("storage", {}) == "storage");
  CHECK(word_of("closing", {{"ending", "finished"}}) == "finished");
  CHECK(word_of("closing", {{"ending", "stopped"}}) == "stopped");
  CHECK(word_of("closing", {{"ending", "parked"}}) == "closed_parked");
  // A hook that is told of hooks would never end.
  for (const char* kind : {"hook", "disk", "sweep", "source", "tick", "note", "seal", "opening", "command", "person"})
    CHECK(word_of(kind, {{"outcome", "settled"}, {"phase", "parked"}, {"ending", "parked"}}).empty());
}

TEST_CASE("a park is not confirmed when its source says so for the second time, and that is told once") {
  EventsOfRun events;
  const auto park = [&](const char* source, bool confirmed, bool untouched) {
    return events.of("park", {{"source", source}, {"confirmed", confirmed}, {"untouched", untouched}});
  };
  CHECK_FALSE(park("bath", false, false));  // it begins
  CHECK_FALSE(park("well", false, false));
  CHECK(park("bath", false, false) == HookEvent::not_confirmed);
  CHECK_FALSE(park("bath", false, false));
  CHECK_FALSE(park("well", true, false));
  CHECK_FALSE(park("third", false, true));  // never told anything: nothing to confirm
  CHECK_FALSE(park("third", false, true));
}

TEST_CASE("the list of words is complete, each word once") {
  std::set<std::string_view> words;
  for (const auto& [word, event] : hook_events) {
    CHECK(words.insert(word).second);
    CHECK(name(event) == word);
  }
}
