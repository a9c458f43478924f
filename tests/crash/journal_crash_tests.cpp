// What a crash leaves: a journal cut at any byte reads as clean or as torn in its last line, never as damaged
// and never as more than was written. And a disk that fills up: the writer says so once and for all, and what
// it wrote reads as clean or torn.

#include <fcntl.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <utility>

#include "../journal/journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

TEST_CASE("a journal cut at every byte is clean or torn") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  for (std::size_t size = 0; size <= bytes.size(); ++size) {
    INFO("cut at byte " << size);
    const std::string cut = bytes.substr(0, size);
    write_bytes(folder / "cut", cut);
    const std::size_t whole_bytes = cut.rfind('\n') == std::string::npos ? 0 : cut.rfind('\n') + 1;
    std::vector<Record> records;
    const auto whole = read(folder / "cut", [&](const Record& record) { records.push_back(record); });
    const auto verified = verify(folder / "cut");
    REQUIRE(whole);
    REQUIRE(verified);
    CHECK(verified->lines == lines_of(cut.substr(0, whole_bytes)).size());
    CHECK(records.size() == verified->lines);
    CHECK(verified->bytes == whole_bytes);
    CHECK(verified->head == whole->head);
    CHECK(verified->torn.has_value() == (whole_bytes != size));
    if (verified->torn) {
      CHECK(verified->torn->offset == whole_bytes);
      CHECK(verified->torn->bytes == cut.substr(whole_bytes));
    }
    CHECK(verified->ending.has_value() == (size == bytes.size()));
    CHECK(bytes_of(folder / "cut") == cut);  // readers never repair
  }
}

TEST_CASE("zeros in the place of the last line, as a file system may leave them, are a torn line") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  write_bytes(folder / "j", bytes.substr(0, offset_of(bytes, 5)) + std::string(4096, '\0'));
  const auto verified = verify(folder / "j");
  REQUIRE(verified);
  CHECK(verified->lines == 5);
  CHECK(verified->torn->bytes.size() == 4096);
}

TEST_CASE("garbage with an end of line is damage, not a torn line") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  write_bytes(folder / "j", bytes.substr(0, offset_of(bytes, 5)) + std::string("\0\0\0\n", 4));
  const auto verified = verify(folder / "j");
  REQUIRE_FALSE(verified);
  CHECK(verified.error().code == Errc::damaged);
  CHECK(verified.error().detail.rfind("line 6 ", 0) == 0);
}

namespace {

enum Told : int { as_expected = 0, no_journal, never_failed, wrong_code, lived_on };

// Runs in a child, so that the limit is its own. Writes until the limit refuses.
int fill_up(const std::filesystem::path& path, rlim_t limit) {
  ::signal(SIGXFSZ, SIG_IGN);
  rlimit room{};
  ::getrlimit(RLIMIT_FSIZE, &room);
  const rlim_t unlimited = std::exchange(room.rlim_cur, limit);
  if (::setrlimit(RLIMIT_FSIZE, &room) != 0) return no_journal;
  auto writer = Writer::create(path);
  if (!writer || !(*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0))) return no_journal;
  const nlohmann::ordered_json fields = {{"text", "the disk fills up while the store is cold"}};
  Errc code = Errc::unexpected;
  int appended = 0;
  for (; appended < 1000; ++appended) {
    const auto result = (*writer).append("note", fields, stamp(appended));
    if (result) continue;
    code = result.error().code;
    break;
  }
  if (appended == 1000) return never_failed;
  if (code != Errc::storage) return wrong_code;
  // Room again: a dead writer must not glue its next line to a torn one.
  room.rlim_cur = unlimited;
  if (::setrlimit(RLIMIT_FSIZE, &room) != 0) return no_journal;
  const auto again = (*writer).append("note", fields, stamp(appended));
  if (again || again.error().code != Errc::storage) return lived_on;
  if ((*writer).sync()) return lived_on;
  if ((*writer).count() != static_cast<std::uint64_t>(appended) + 1) return lived_on;
  return as_expected;
}

}  // namespace

TEST_CASE("a full disk at any place within a line: the writer is dead, the journal is clean or torn") {
  Folder folder;
  for (rlim_t limit = 900; limit < 900 + 260; limit += 13) {
    INFO("limit " << limit);
    const auto path = folder / ("j" + std::to_string(limit));
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) ::_exit(fill_up(path, limit));
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFEXITED(status));
    CHECK(WEXITSTATUS(status) == as_expected);
    CHECK(std::filesystem::file_size(path) == limit);
    const auto verified = verify(path);
    REQUIRE(verified);
    CHECK(verified->bytes + (verified->torn ? verified->torn->bytes.size() : 0) == limit);
  }
}
