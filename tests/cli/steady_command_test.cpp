// steady: a real log through the settle rule, as a technician asks for it. The log and its source:
// tests/sequence/data/README.md; the moments are pinned in tests/sequence/settle_log_test.cpp too.
#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;

namespace {

const std::string logs = std::string(NIGHTWELL_SOURCE_DIR) + "/tests/sequence/data/";

std::vector<std::string> with(std::vector<std::string> words, const std::vector<std::string>& more) {
  words.insert(words.end(), more.begin(), more.end());
  return words;
}

}  // namespace

TEST_CASE("steady: the moment, and what held until then") {
  Folder folder;
  const std::vector<std::string> soak{"steady",      logs + "chamber_soak_25C.csv",
                                      "--time",      "unix_time_s",
                                      "--reference", "reference_thermistor_C",
                                      "--at",        "25",
                                      "--band",      "0.2",
                                      "--window",    "300"};
  const Outcome found = run(folder.path(), with(soak, {"--drift", "0.01", "--spread", "0.03"}));
  CHECK(found.exit == 0);
  CHECK(holds(found.out, "Setpoint 25 °C, set at 0.0 s\n"));
  CHECK(holds(found.out, "not yet: window 0 of 300 s\n"));
  CHECK(holds(found.out, "    482.7 s  steady: mean "));
  const Outcome never = run(folder.path(), with(soak, {"--drift", "0.00001", "--spread", "0.03"}));
  CHECK(never.exit == 4);
  CHECK(holds(never.out, "never steady\n"));
}

TEST_CASE("steady: setpoints from a column, rows at an even pace") {
  Folder folder;
  const Outcome found = run(folder.path(), {"steady", logs + "tec_steps_300s_controller.csv", "--every", "0.25",
                                            "--reference", "chamber_thermistor_C", "--setpoint", "setpoint_C", "--band",
                                            "0.1", "--window", "60", "--drift", "0.01", "--spread", "0.05"});
  CHECK(found.exit == 0);
  CHECK(holds(found.out, "Setpoint 27 °C"));
  CHECK(holds(found.out, "\n     78.0 s  steady: mean "));
}

TEST_CASE("steady: what is missing or wrong is said, with exit code 2") {
  Folder folder;
  const std::vector<std::string> rule{"--band", "0.2", "--window", "300", "--drift", "0.01", "--spread", "0.03"};
  const std::string log = logs + "chamber_soak_25C.csv";
  const std::vector<std::string> start{"steady", log, "--reference", "reference_thermistor_C"};
  const Outcome no_time = run(folder.path(), with(with(start, {"--at", "25"}), rule));
  CHECK(no_time.exit == 2);
  CHECK(holds(no_time.err, "--time or --every"));
  const Outcome no_setpoint = run(folder.path(), with(with(start, {"--every", "1"}), rule));
  CHECK(no_setpoint.exit == 2);
  CHECK(holds(no_setpoint.err, "--setpoint or --at"));
  const Outcome typo =
      run(folder.path(), with({"steady", log, "--time", "time", "--reference", "x", "--at", "25"}, rule));
  CHECK(typo.exit == 2);
  CHECK(holds(typo.err, "there is no column \"x\""));
}
