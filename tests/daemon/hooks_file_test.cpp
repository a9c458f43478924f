// The hooks file, as a value. That its schema agrees: tests/end_to_end/hooks_test.py.
#include "daemon/hooks_file.hpp"

#include <catch2/catch.hpp>

using namespace nightwell;
using namespace nightwell::daemon;

TEST_CASE("the example that is shipped reads as it stands") {
  const auto read = read_hooks(plan::gather_one(NIGHTWELL_SOURCE_DIR "/demo/hooks/hooks.json"));
  const auto* hooks = std::get_if<std::vector<Hook>>(&read);
  REQUIRE(hooks);
  REQUIRE(hooks->size() == 3);
  CHECK((*hooks)[0].name == "mail");
  CHECK((*hooks)[0].run.at(0) == "/usr/local/libexec/nightwell/mail");
  CHECK((*hooks)[0].within == Duration(std::chrono::seconds(30)));
  CHECK((*hooks)[0].benches.empty());
  CHECK((*hooks)[0].on.front() == HookEvent::waiting);
}

TEST_CASE("faults are found all at once, each with its place") {
  const plan::FileText file{"h.json", R"({"format": "nightwell-hooks/1", "hooks": [
    {"name": "a", "on": ["settled", "setled"], "run": ["mail"], "within_s": 0},
    {"name": "a", "on": ["settled"], "run": ["/bin/a", 7], "within_s": 5, "bench": "x"}]})",
                            ""};
  const auto read = read_hooks(file);
  const auto* faults = std::get_if<std::vector<plan::Fault>>(&read);
  REQUIRE(faults);
  std::vector<std::string> places;
  for (const auto& fault : *faults) places.push_back(fault.pointer);
  CHECK(places == std::vector<std::string>{"/hooks/0/on/1", "/hooks/0/run/0", "/hooks/0/within_s", "/hooks/1/name",
                                           "/hooks/1/run/1", "/hooks/1/bench"});
}

TEST_CASE("a program is trusted where only root and this user can change it") {
  CHECK(trusted_hook("/bin/sh"));
  CHECK(trusted_hook("/nowhere").error().code == Errc::not_found);
  CHECK(trusted_hook("/etc/passwd").error().code == Errc::bad_input);
  CHECK(trusted_hook("/").error().code == Errc::bad_input);
}
