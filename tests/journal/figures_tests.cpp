// What a journal says of its disk.

#include <future>

#include "journal/journal.hpp"
#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

namespace {

void wait_for_disk(Journal& journal) {
  std::promise<void> told;
  journal.commit([&](const Result<void>& written) {
    CHECK(written);
    told.set_value();
  });
  told.get_future().wait();
}

JournalSettings figures_settings(const Folder& folder) {
  JournalSettings settings;
  settings.file = folder / "journal.ndjson";
  settings.latest_sync = std::chrono::hours(1);
  return settings;
}

}  // namespace

TEST_CASE("figures count each sync once and begin anew, and lines wait until they are synced") {
  Folder folder;
  Journal journal(figures_settings(folder));
  std::string line;
  for (int i = 0; i < 3; ++i)
    REQUIRE(journal.append(i == 0 ? "opening" : "note", {{"format", format_name}}, stamp(i), &line));
  wait_for_disk(journal);
  const JournalFigures first = journal.take_figures();
  CHECK(first.syncs == 1);
  CHECK(first.most_queued == 3);
  CHECK(first.largest.count() > 0);
  CHECK(first.total == first.largest);
  CHECK_FALSE(first.copy_behind_bytes);

  const JournalFigures nothing = journal.take_figures();
  CHECK(nothing.syncs == 0);
  CHECK(nothing.most_queued == 0);
  REQUIRE(journal.append("note", {{"text", "a"}}, stamp(4)));
  CHECK(journal.take_figures().most_queued == 1);  // and goes on waiting
  CHECK(journal.take_figures().most_queued == 1);
}

TEST_CASE("append gives a line's exact bytes, the closing record's too") {
  Folder folder;
  std::string all, line;
  {
    Journal journal(figures_settings(folder));
    REQUIRE(journal.append("opening", {{"format", format_name}}, stamp(0), &line));
    all += line;
    REQUIRE(journal.append("closing", {{"ending", "finished"}, {"why", "b\n\x07"}}, stamp(1), &line));
    all += line;
    wait_for_disk(journal);
  }
  const std::string bytes = bytes_of(folder / "journal.ndjson");
  CHECK(bytes.substr(0, all.size()) == all);
  CHECK(lines_of(bytes).size() == 3);
  CHECK(line.back() == '\n');
}

TEST_CASE("a second copy that cannot be written is behind by all that is on the first disk") {
  Folder folder;
  JournalSettings settings = figures_settings(folder);
  settings.second_folder = folder / "not-mounted/run";
  Journal journal(settings);
  REQUIRE(journal.append("opening", {{"format", format_name}}, stamp(0)));
  wait_for_disk(journal);
  CHECK(journal.take_figures().copy_behind_bytes == std::filesystem::file_size(folder / "journal.ndjson"));
}
