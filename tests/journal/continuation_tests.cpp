// A journal in several files is read as one.

#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

namespace {

struct Split {
  std::string whole, first, second;  // bytes; second begins with line 3
};

Split split(const Folder& folder) {
  write_small_journal(folder / "whole");
  Split out;
  out.whole = bytes_of(folder / "whole");
  const std::size_t at = offset_of(out.whole, 3);
  out.first = out.whole.substr(0, at);
  out.second = out.whole.substr(at);
  return out;
}

}  // namespace

TEST_CASE("a journal that went on in another file is one journal") {
  Folder folder;
  const Split parts = split(folder);
  const auto whole = verify(folder / "whole");
  // What the first file holds behind the place was not acknowledged there: repeated, torn, or anything.
  for (const std::string& left : {std::string(), parts.second.substr(0, 100), parts.second, std::string("\0\0{", 3)}) {
    write_bytes(folder / "journal.ndjson", parts.first + left);
    write_bytes(folder / "journal-2.ndjson", parts.second);
    std::vector<std::uint64_t> seen;
    const auto all = read(folder / "journal.ndjson", [&](const Record& record) { seen.push_back(record.n); });
    REQUIRE(all);
    CHECK(seen == std::vector<std::uint64_t>{0, 1, 2, 3, 4, 5});
    CHECK(all->head == whole->head);
    CHECK(all->bytes == whole->bytes);
    CHECK(all->files.size() == 2);
    CHECK(all->whole());
    CHECK(verify(folder / "journal.ndjson")->head == whole->head);
  }
}

TEST_CASE("what is wrong in a later file is named with that file") {
  Folder folder;
  const Split parts = split(folder);
  write_bytes(folder / "journal.ndjson", parts.first);
  std::string bad = parts.second;
  bad[bad.find("settled")] = 'S';
  write_bytes(folder / "journal-2.ndjson", bad);
  const auto changed = verify(folder / "journal.ndjson");
  REQUIRE_FALSE(changed);
  CHECK(changed.error().where == (folder / "journal-2.ndjson").string());
  CHECK(changed.error().detail.rfind("line 3 (n 5,", 0) == 0);

  // A file of another journal: its first line's prev fits nothing here.
  bad = parts.second;
  bad.replace(bad.find("prev") + 7, 4, "beef");
  write_bytes(folder / "journal-2.ndjson", bad);
  CHECK(verify(folder / "journal.ndjson").error().detail.rfind("line 1 (n 3,", 0) == 0);

  // The first file ends before the second begins.
  write_bytes(folder / "journal.ndjson", parts.first.substr(0, offset_of(parts.first, 2)));
  write_bytes(folder / "journal-2.ndjson", parts.second);
  const auto gap = verify(folder / "journal.ndjson");
  REQUIRE_FALSE(gap);
  CHECK(gap.error().detail.find("journal-2.ndjson carries on from n 3") != std::string::npos);
}

TEST_CASE("a second file without a whole line carries nothing on") {
  Folder folder;
  const Split parts = split(folder);
  write_bytes(folder / "journal.ndjson", parts.first + "{\"n\":3");
  write_bytes(folder / "journal-2.ndjson", parts.second.substr(0, 50));
  const auto verified = verify(folder / "journal.ndjson");
  REQUIRE(verified);
  CHECK(verified->lines == 3);
  CHECK(verified->torn);
  CHECK(verified->files.size() == 1);
}

TEST_CASE("a follower goes on in the next file and gives each line once") {
  Folder folder;
  const Split parts = split(folder);
  // Two lines that were not acknowledged had been handed out already.
  write_bytes(folder / "journal.ndjson", parts.whole.substr(0, offset_of(parts.whole, 5)));
  Follower follower(folder / "journal.ndjson");
  CHECK(follower.next()->size() == 5);
  CHECK(follower.next()->empty());
  write_bytes(folder / "journal-2.ndjson", parts.second);
  const auto rest = follower.next();
  REQUIRE(rest);
  REQUIRE(rest->size() == 1);
  CHECK(parse_line(rest->front())->kind == "closing");
  CHECK(follower.path() == folder / "journal-2.ndjson");
}

TEST_CASE("a second copy is compared byte by byte") {
  Folder folder;
  const Split parts = split(folder);
  write_bytes(folder / "copy", parts.whole);
  CHECK(compare(folder / "whole", folder / "copy")->equal());
  write_bytes(folder / "copy", parts.first);
  const auto behind = compare(folder / "whole", folder / "copy");
  CHECK_FALSE(behind->equal());
  CHECK_FALSE(behind->differs_at);
  CHECK(behind->copied_bytes == parts.first.size());
  std::string changed = parts.whole;
  changed[offset_of(changed, 2) + 9] ^= 1;
  write_bytes(folder / "copy", changed);
  CHECK(compare(folder / "whole", folder / "copy")->differs_at == offset_of(changed, 2) + 9);
  CHECK(compare(folder / "whole", folder / "copy")->differs_in_line == 3);
  write_bytes(folder / "copy", parts.whole + "x");
  CHECK(compare(folder / "whole", folder / "copy")->differs_at == parts.whole.size());
  CHECK(compare(folder / "whole", folder / "none").error().code == Errc::not_found);
}
