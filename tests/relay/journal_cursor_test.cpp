// Places in journals: found by halving, followed over files, held against the simple way of reading the whole file.
#include "relay/journal_cursor.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <random>

#include "journal/frame.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using namespace nightwell::relay;

namespace {

// A chain of records; `sizes` says how long each one's text is.
std::vector<std::string> chain_of(const std::vector<std::size_t>& sizes) {
  std::vector<std::string> out;
  journal::Sha256 sha256;
  std::string prev(64, '0');
  for (std::size_t n = 0; n < sizes.size(); ++n) {
    std::string line;
    journal::append_head(line, n, "2026-11-25T20:15:00.000000Z", Instant{}, "note");
    line += ",\"text\":\"" + std::string(sizes[n], 'a') + '"';
    journal::append_prev(line, prev);
    prev = journal::view(sha256.hex(line));
    out.push_back(line);
  }
  return out;
}

void append(const std::filesystem::path& path, std::string_view bytes) {
  std::ofstream(path, std::ios::binary | std::ios::app).write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
}

std::string text_of(const std::vector<std::string>& lines, std::size_t from = 0) {
  std::string out;
  for (std::size_t i = from; i < lines.size(); ++i) out += lines[i] + '\n';
  return out;
}

std::vector<std::size_t> random_sizes(std::mt19937& random, std::size_t count) {
  std::vector<std::size_t> out;
  for (std::size_t i = 0; i < count; ++i) {
    // Mostly short, some long, some of the longest that a journal holds.
    const auto kind = random() % 50;
    out.push_back(kind == 0 ? 65300 : kind < 5 ? random() % 20000 : random() % 600);
  }
  return out;
}

}  // namespace

TEST_CASE("every record of a file is found where it stands, and no other") {
  std::mt19937 random(20261126);
  for (const std::size_t count : {std::size_t{1}, std::size_t{2}, std::size_t{300}, std::size_t{900}}) {
    const tests::TemporaryFolder folder;
    const auto lines = chain_of(random_sizes(random, count));
    append(folder / "journal.ndjson", text_of(lines) + R"({"n":)" + std::to_string(count) + ",\"utc");
    const auto part = JournalPart::open(folder / "", 1);
    REQUIRE(part);
    std::uint64_t offset = 0;
    for (std::size_t n = 0; n < count; ++n) {
      const auto found = part->find(n);
      REQUIRE(found);
      REQUIRE(*found == offset);
      offset += lines[n].size() + 1;
    }
    CHECK_FALSE(*part->find(count));
    CHECK_FALSE(*part->find(count + 1000000));
    const auto last = part->last();
    REQUIRE((last && *last));
    CHECK((*last)->n == count - 1);
    CHECK((*last)->end == offset);
    CHECK((*last)->line == lines.back());
  }
}

TEST_CASE("what is a record's line, and what is none") {
  CHECK(record_number(R"({"n":0,"utc")") == 0U);
  CHECK(record_number(R"({"n":17,)") == 17U);
  for (const char* line : {"", "{\"n\":", "{\"n\":17", "{\"n\":,", "{\"n\":-1,", "{\"n\":017,", "{\"n\": 17,",
                           "{\"relay\":", "{\"n\":17,\x1b[2J", "{\"n\":99999999999999999999,", "{\"n\":17,\x80"}) {
    INFO(line);
    CHECK_FALSE(record_number(line));
  }
}

TEST_CASE("a cursor hands out what is in the file, from any record on and however the file grows") {
  std::mt19937 random(7);
  const auto lines = chain_of(random_sizes(random, 120));
  const std::string all = text_of(lines);
  for (const std::size_t from : {std::size_t{0}, std::size_t{1}, std::size_t{60}}) {
    const tests::TemporaryFolder folder;
    const auto path = folder / "journal.ndjson";
    std::size_t written = text_of(lines).size() - text_of(lines, from).size();
    append(path, std::string_view(all).substr(0, written));
    journal::Sha256 sha256;
    LineBuffer buffer;
    auto cursor = JournalCursor::open(folder / "", from, {}, sha256);
    REQUIRE(cursor);
    std::string got;
    std::uint64_t count = 0;
    while (written < all.size()) {
      const std::size_t size = 1 + random() % 90000;
      append(path, std::string_view(all).substr(written, size));
      written += std::min(size, all.size() - written);
      for (;;) {
        const auto more = cursor->next(buffer, sha256);
        REQUIRE(more);
        if (more->empty()) break;
        got += *more;
        count += cursor->lines();
      }
    }
    CHECK(got == text_of(lines, from));
    CHECK(count == lines.size() - from);
    CHECK(cursor->next_n() == lines.size());
    CHECK(cursor->head() == journal::view(sha256.hex(lines.back())));
    CHECK(cursor->behind() == 0);
  }
}

TEST_CASE("a cursor that waits in a file goes on in the next one, also where that holds lines again") {
  const auto lines = chain_of(std::vector<std::size_t>(30, 20));
  const tests::TemporaryFolder folder;
  append(folder / "journal.ndjson", text_of({lines.begin(), lines.begin() + 20}));
  journal::Sha256 sha256;
  LineBuffer buffer;
  auto cursor = JournalCursor::open(folder / "", 0, {}, sha256);
  REQUIRE(cursor);
  std::string got(*cursor->next(buffer, sha256));
  CHECK(cursor->next(buffer, sha256)->empty());
  // The second file begins with lines that were handed out, and is not yet as far as those.
  append(folder / "journal-2.ndjson", text_of({lines.begin() + 15, lines.begin() + 18}));
  CHECK(cursor->next(buffer, sha256)->empty());
  append(folder / "journal-2.ndjson", text_of({lines.begin() + 18, lines.end()}));
  got += *cursor->next(buffer, sha256);
  CHECK(got == text_of(lines));
}

TEST_CASE("a next file that holds other lines is told") {
  const auto lines = chain_of(std::vector<std::size_t>(30, 20));
  auto others = chain_of(std::vector<std::size_t>(30, 21));
  const tests::TemporaryFolder folder;
  append(folder / "journal.ndjson", text_of({lines.begin(), lines.begin() + 20}));
  journal::Sha256 sha256;
  LineBuffer buffer;
  auto cursor = JournalCursor::open(folder / "", 0, {}, sha256);
  REQUIRE(cursor);
  REQUIRE_FALSE(cursor->next(buffer, sha256)->empty());
  append(folder / "journal-2.ndjson", text_of({others.begin() + 15, others.end()}));
  const auto next = cursor->next(buffer, sha256);
  REQUIRE_FALSE(next);
  CHECK(next.error().code == Errc::mismatch);
}
