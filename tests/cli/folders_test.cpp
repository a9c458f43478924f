#include "nightwell/folders.hpp"

#include <catch2/catch.hpp>
#include <map>

using namespace nightwell;

namespace {

Environment environment(std::map<std::string, std::string> variables) {
  return [variables = std::move(variables)](const char* name) -> std::optional<std::string> {
    const auto found = variables.find(name);
    if (found == variables.end()) return std::nullopt;
    return found->second;
  };
}

}  // namespace

TEST_CASE("the runtime folder: option, own variable, XDG, then by user") {
  const auto all = environment({{"NIGHTWELL_RUNTIME", "/own"}, {"XDG_RUNTIME_DIR", "/xdg"}});
  CHECK(runtime_folder("/given", all, 1000) == "/given");
  CHECK(runtime_folder("", all, 1000) == "/own");
  CHECK(runtime_folder("", environment({{"XDG_RUNTIME_DIR", "/xdg"}}), 1000) == "/xdg/nightwell");
  CHECK(runtime_folder("", environment({}), 0) == "/run/nightwell");
  CHECK(runtime_folder("", environment({}), 1000) == "/tmp/nightwell-1000");
}

TEST_CASE("the state folder: option, own variable, XDG, then by user") {
  const auto all = environment({{"NIGHTWELL_STATE", "/own"}, {"XDG_STATE_HOME", "/xdg"}, {"HOME", "/home/a"}});
  CHECK(*state_folder("/given", all, 1000) == "/given");
  CHECK(*state_folder("", all, 1000) == "/own");
  CHECK(*state_folder("", environment({{"XDG_STATE_HOME", "/xdg"}}), 1000) == "/xdg/nightwell");
  CHECK(*state_folder("", environment({{"HOME", "/home/a"}}), 0) == "/var/lib/nightwell");
  CHECK(*state_folder("", environment({{"HOME", "/home/a"}}), 1000) == "/home/a/.local/state/nightwell");
}

TEST_CASE("empty variables count as unset, and relative XDG paths are ignored") {
  const auto odd = environment({{"NIGHTWELL_RUNTIME", ""}, {"XDG_RUNTIME_DIR", "here"}});
  CHECK(runtime_folder("", odd, 1000) == "/tmp/nightwell-1000");
}

TEST_CASE("without a home the state folder must be given") {
  const auto none = state_folder("", environment({}), 1000);
  REQUIRE_FALSE(none.ok());
  CHECK(none.error().code == Errc::bad_input);
}

TEST_CASE("where a run's journal stands") {
  CHECK(run_journal("/state", "run-1") == "/state/runs/run-1/journal.ndjson");
  CHECK(control_socket("/run/nightwell") == "/run/nightwell/control.sock");
}
