// The chain, checked three ways: by verify(), by read(), and by the shell loop that docs/journal.md prints.

#include <sys/wait.h>

#include <algorithm>
#include <array>
#include <cstdio>

#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

namespace {

// The first ```sh block of the document, as a reader would copy it.
std::string documented_loop() {
  const std::string document = bytes_of(NIGHTWELL_SOURCE_DIR "/docs/journal.md");
  const std::size_t from = document.find("```sh\n");
  REQUIRE(from != std::string::npos);
  const std::size_t to = document.find("```", from + 6);
  REQUIRE(to != std::string::npos);
  return document.substr(from + 6, to - from - 6);
}

struct Outcome {
  int status = 0;
  std::string output;
};

// Runs the loop with coreutils alone in the journal's folder.
Outcome run_documented_loop(const std::filesystem::path& folder) {
  write_bytes(folder / "check.sh", documented_loop());
  const std::string command = "cd '" + folder.string() + "' && bash check.sh 2>&1";
  FILE* pipe = ::popen(command.c_str(), "r");
  REQUIRE(pipe != nullptr);
  Outcome outcome;
  std::array<char, 4096> room{};
  while (const std::size_t got = std::fread(room.data(), 1, room.size(), pipe)) outcome.output.append(room.data(), got);
  outcome.status = WEXITSTATUS(::pclose(pipe));
  return outcome;
}

struct Tampered {
  const char* what;
  std::vector<std::string> lines;
  std::size_t found_at;  // line, from 0
};

std::vector<Tampered> tampered(const std::vector<std::string>& good) {
  std::vector<Tampered> cases;
  auto lines = good;
  const auto keep = [&](const char* what, std::size_t at) {
    cases.push_back({what, lines, at});
    lines = good;
  };
  lines[2].replace(lines[2].find("100.390512"), 10, "100.390513");
  keep("a digit of a raw value changed", 3);
  lines[0].replace(lines[0].find("cold"), 4, "bold");
  keep("the first line changed", 1);
  lines.erase(lines.begin() + 3);
  keep("a line removed", 3);
  lines.erase(lines.begin());
  keep("the first line removed", 0);
  lines.insert(lines.begin() + 3, lines[2]);
  keep("a line repeated", 3);
  std::swap(lines[2], lines[3]);
  keep("two lines swapped", 2);
  auto added = lines[3];
  added.replace(added.find("\"sweep\":1"), 9, "\"sweep\":9");
  lines.insert(lines.begin() + 3, added);
  keep("a line added", 4);
  lines[3].insert(lines[3].find("\"sweep\":"), " ");
  keep("a space added", 3);
  return cases;
}

}  // namespace

TEST_CASE("a good journal passes all three checks with one head hash") {
  Folder folder;
  write_small_journal(folder / "journal.ndjson");
  const auto verified = verify(folder / "journal.ndjson");
  std::vector<Record> records;
  const auto whole = read(folder / "journal.ndjson", [&](const Record& record) { records.push_back(record); });
  REQUIRE(verified);
  REQUIRE(whole);
  CHECK(verified->lines == 6);
  CHECK(verified->ending == "finished");
  CHECK(whole->ending == "finished");
  CHECK(verified->head == whole->head);
  CHECK(verified->bytes == bytes_of(folder / "journal.ndjson").size());
  REQUIRE(records.size() == 6);
  CHECK(records[2].kind == "sweep");
  CHECK(records[2].offset == offset_of(bytes_of(folder / "journal.ndjson"), 2));
  CHECK(records[2].body["raw"][1].is_null());
  CHECK(records[2].body.begin().key() == "n");

  const Outcome shell = run_documented_loop(folder / "");
  CHECK(shell.status == 0);
  CHECK(shell.output == "head: " + verified->head + "\n");
}

TEST_CASE("tampering is found by all three checks, with its line and offset") {
  Folder folder;
  write_small_journal(folder / "good");
  for (const auto& bad : tampered(lines_of(bytes_of(folder / "good")))) {
    INFO(bad.what);
    const std::string bytes = joined(bad.lines);
    write_bytes(folder / "journal.ndjson", bytes);
    const auto verified = verify(folder / "journal.ndjson");
    REQUIRE_FALSE(verified);
    CHECK(verified.error().code == Errc::damaged);
    const std::string place = "line " + std::to_string(bad.found_at + 1) + " (n " + std::to_string(bad.found_at) +
                              ", byte " + std::to_string(offset_of(bytes, bad.found_at)) + ")";
    INFO(verified.error().detail);
    CHECK(verified.error().detail.rfind(place, 0) == 0);
    std::size_t seen = 0;
    const auto whole = read(folder / "journal.ndjson", [&](const Record&) { ++seen; });
    REQUIRE_FALSE(whole);
    CHECK(whole.error().text() == verified.error().text());
    CHECK(seen == bad.found_at);

    CHECK(run_documented_loop(folder / "").status == 1);
  }
}

TEST_CASE("any changed byte but one in the last line's own fields is found") {
  Folder folder;
  write_small_journal(folder / "good");
  const std::string good = bytes_of(folder / "good");
  const std::size_t last_line = offset_of(good, 5);
  std::size_t unseen = 0;
  for (std::size_t at = 0; at < good.size(); ++at) {
    std::string bad = good;
    bad[at] = bad[at] == '7' ? '8' : '7';
    write_bytes(folder / "bad", bad);
    const auto verified = verify(folder / "bad");
    const auto whole = read(folder / "bad", [](const Record&) {});
    INFO("byte " << at);
    CHECK(verified.ok() == whole.ok());
    if (!verified.ok()) continue;
    // Without its LF the last line is a torn one; within its text nothing but a hash kept elsewhere can tell.
    CHECK(at >= last_line);
    const auto original = verify(folder / "good");
    CHECK((verified->torn.has_value() || verified->head != original->head));
    ++unseen;
  }
  CHECK(unseen < good.size() - last_line);
}

TEST_CASE("a record behind the closing one is damage, however well it is chained") {
  Folder folder;
  write_small_journal(folder / "j");
  const auto head = verify(folder / "j")->head;
  std::string more = R"({"n":6,"utc":"2026-03-01T21:14:05.000250Z","up_s":9.000000,"kind":"note","text":"x","prev":")" +
                     head + "\"}\n";
  write_bytes(folder / "longer", bytes_of(folder / "j") + more);
  CHECK(verify(folder / "longer").error().detail.find("follows the closing record") != std::string::npos);
  write_bytes(folder / "longer", bytes_of(folder / "j") + "{");
  CHECK(verify(folder / "longer").error().code == Errc::damaged);
}

TEST_CASE("what is not a journal is told apart") {
  Folder folder;
  CHECK(verify(folder / "none").error().code == Errc::not_found);
  CHECK(verify(folder / "").error().code == Errc::storage);
  write_bytes(folder / "empty", "");
  REQUIRE(verify(folder / "empty"));
  CHECK(verify(folder / "empty")->lines == 0);
  CHECK(verify(folder / "empty")->head == std::string(64, '0'));
  write_bytes(folder / "text", "hello\n");
  CHECK(verify(folder / "text").error().code == Errc::damaged);
  write_bytes(folder / "blank", "\n");
  CHECK(verify(folder / "blank").error().code == Errc::damaged);
  write_bytes(folder / "long", std::string(max_line_bytes + 1, 'x'));
  CHECK(verify(folder / "long").error().detail.rfind("line 1 ", 0) == 0);
}

TEST_CASE("lines are found across the reader's buffer, whatever their lengths") {
  Folder folder;
  auto writer = Writer::create(folder / "j");
  REQUIRE((*writer).append("opening", {{"format", "nightwell-journal/1"}}, stamp(0)));
  std::size_t bytes = 0;
  for (std::size_t i = 0; bytes < 3'000'000; ++i) {
    const std::string text((i * 7919) % 60'000, 'x');
    REQUIRE((*writer).append("note", {{"text", text}}, stamp(1)));
    bytes += text.size();
  }
  const auto verified = verify(folder / "j");
  REQUIRE(verified);
  CHECK(verified->lines == (*writer).count());
  CHECK(verified->head == (*writer).head());
  CHECK(verified->bytes == std::filesystem::file_size(folder / "j"));
}
