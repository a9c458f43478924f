// Records that no event of the sequencer stands for: what of a hook and a disk gets into the journal.
#include "daemon/records.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace nightwell;
using namespace nightwell::daemon;
using namespace std::chrono_literals;

TEST_CASE("what a hook said is shown as one line, and cut between characters") {
  HookReport report;
  report.text = "sent\x1b[2J\n\n";
  CHECK(hook_said(report, 500) == "sent\\x1b[2J");
  report.text = "abcé";  // é is two bytes
  CHECK(hook_said(report, 4) == "abc …");
  CHECK(hook_said(report, 5) == "abcé");
  report.text = std::string(4, '\xff');
  CHECK(hook_said(report, 2) == "\\xff\\xff …");
}

TEST_CASE("a disk that synced nothing has no mean, and a journal without a second folder no copy") {
  journal::JournalFigures figures;
  CHECK(
      disk_record(figures, {{"scanner", 2}}).fields.dump() ==
      R"({"syncs":0,"mean_s":null,"largest_s":null,"queued_largest":0,"copy_behind_bytes":null,"asked_again":{"scanner":2}})");
  figures = {4, 2s, 1s, 17, 300};
  CHECK(disk_record(figures, {}).fields.dump() ==
        R"({"syncs":4,"mean_s":0.5,"largest_s":1.0,"queued_largest":17,"copy_behind_bytes":300,"asked_again":{}})");
}
