#include "relay/board.hpp"

#include <catch2/catch.hpp>
#include <fstream>

#include "journal/frame.hpp"
#include "journal/reader.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using namespace nightwell::relay;

namespace {

const Board::Time start{};

// Lines of a chain, as a journal has them.
struct Chain {
  std::uint64_t n = 0;
  std::string prev = std::string(64, '0');

  std::string operator()(const std::string& kind, const std::string& fields = "", const char* day = "25") {
    std::string line;
    journal::append_head(line, n, std::string("2026-11-") + day + "T20:00:00.000000Z",
                         Instant{from_seconds(static_cast<double>(n))}, kind);
    ++n;
    line += fields;
    journal::append_prev(line, prev);
    prev = journal::sha256_hex(line);
    return line + "\n";
  }
  std::string opening(const std::string& bench, const char* day = "25") {
    return (*this)("opening", R"(,"format":"nightwell-journal/2","run":"r","bench":")" + bench + R"(","channels":[])",
                   day);
  }
  std::string notes(int count) {
    std::string out;
    for (int i = 0; i < count; ++i) out += (*this)("note", R"(,"text":"x")");
    return out;
  }
  std::string note() { return notes(1); }
  std::string begun(const std::string& bench) {
    std::string out = opening(bench);
    return out += note();
  }
};

void write(const std::filesystem::path& runs, const std::string& id, const std::string& bytes,
           std::ios::openmode how = std::ios::trunc) {
  std::filesystem::create_directories(runs / id);
  std::ofstream(runs / id / "journal.ndjson", std::ios::binary | how) << bytes;
}

std::vector<std::string> ids(const std::vector<const RunFeed*>& feeds) {
  std::vector<std::string> out;
  for (const RunFeed* feed : feeds) out.push_back(feed->id());
  return out;
}

}  // namespace

TEST_CASE("the newest run of each bench is shown, newest first, and what is no run is not") {
  const tests::TemporaryFolder folder;
  const auto runs = folder / "runs";
  Board board(runs);
  CHECK_FALSE(board.look(20, start));
  CHECK(board.benches().empty());
  write(runs, "a-1", Chain().opening("cold room", "20"));
  write(runs, "a-2", Chain().opening("cold room", "22"));
  write(runs, "b-1", Chain().opening("hot room", "21"));
  write(runs, "empty", "");
  write(runs, "NOT A RUN", Chain().opening("x"));
  CHECK(board.look(2, start));  // not all at once
  while (board.look(2, start)) {
  }
  CHECK(ids(board.benches()) == std::vector<std::string>{"a-2", "b-1"});
  CHECK(board.others() == std::vector<std::string>{"a-1"});
  CHECK(board.newest(start)->id() == "a-2");
  CHECK(board.find("a-1", start) != nullptr);
  CHECK(board.find("empty", start) == nullptr);
  CHECK(board.find("../a-1", start) == nullptr);
  write(runs, "empty", Chain().opening("hot room", "23"));
  while (board.look(2, start)) {
  }
  CHECK(ids(board.benches()) == std::vector<std::string>{"empty", "a-2"});
  std::filesystem::remove_all(runs / "a-2");
  board.look(20, start);
  CHECK(ids(board.benches()) == std::vector<std::string>{"empty", "a-1"});
}

TEST_CASE("a runs folder that cannot be read takes nothing of what is known of its runs") {
  const tests::TemporaryFolder folder;
  const auto runs = folder / "runs", away = folder / "away";
  Board board(runs);
  board.look(20, start);
  CHECK(board.trouble() == "No such file or directory");
  Chain chain;
  write(runs, "a-1", chain.begun("cold room"));
  board.look(20, start);
  board.read(60);
  CHECK_FALSE(board.trouble());
  std::filesystem::rename(runs, away);
  SECTION("it is not there") {}
  SECTION("it is no folder") {
    std::ofstream(runs) << "x";
  }
  CHECK_FALSE(board.look(20, start));
  board.read(60);
  CHECK(board.trouble());
  REQUIRE(ids(board.benches()) == std::vector<std::string>{"a-1"});
  CHECK(board.find("a-1", start)->digest().records == 2);
  std::filesystem::remove(runs);
  std::filesystem::rename(away, runs);
  write(runs, "a-1", chain.note(), std::ios::app);
  board.look(20, start);
  board.read(60);
  CHECK_FALSE(board.trouble());
  CHECK(board.find("a-1", start)->digest().records == 3);
}

TEST_CASE("a run that nobody looks at any more is forgotten") {
  const tests::TemporaryFolder folder;
  write(folder / "runs", "a-1", Chain().opening("cold room", "20"));
  write(folder / "runs", "a-2", Chain().opening("cold room", "22"));
  Board board(folder / "runs");
  board.look(20, start);
  REQUIRE(board.find("a-1", start) != nullptr);
  CHECK(board.find("a-1", start)->digest().records == 1);
  CHECK(board.find("a-1", start)->changes() > 0);
  const RunFeed* looked_at = board.find("a-1", start);
  board.look(20, start + Board::kept);
  CHECK(board.find("a-1", start) == looked_at);
  std::filesystem::resize_file(folder / "runs" / "a-1" / "journal.ndjson", 0);
  board.look(20, start + Board::kept + std::chrono::seconds(1));
  CHECK(board.find("a-1", start)->digest().records == 0);  // begun anew
}

TEST_CASE("a journal is read in slices, and on as it grows") {
  const tests::TemporaryFolder folder;
  Chain chain;
  std::string bytes = chain.opening("cold room");
  for (int i = 0; i < 99; ++i) bytes += chain.note();
  write(folder / "runs", "a-1", bytes);
  Board board(folder / "runs");
  board.look(20, start);
  CHECK(board.read(60));
  const RunFeed* run = board.newest(start);
  CHECK(run->digest().records == 60);
  CHECK(run->view(std::chrono::system_clock::now()).reading());
  CHECK_FALSE(board.read(60));
  CHECK(run->digest().records == 100);
  CHECK_FALSE(run->view(std::chrono::system_clock::now()).reading());
  const auto before = run->changes();
  board.read(60);
  CHECK(run->changes() == before);
  write(folder / "runs", "a-1", chain.note(), std::ios::app);
  board.read(60);
  CHECK(run->digest().records == 101);
  CHECK(run->changes() > before);
  CHECK_FALSE(run->over());
  std::string end = chain("closing", R"(,"ending":"finished","why":"")");
  end += chain("seal", R"(,"algorithm":"none","key":null,"signature":null)");
  write(folder / "runs", "a-1", end, std::ios::app);
  board.read(60);
  CHECK(run->over());
  CHECK(run->digest().ending == "finished");
}

TEST_CASE("a changed line is told, and ends the reading") {
  const tests::TemporaryFolder folder;
  Chain chain;
  std::string bytes = chain.opening("cold room");
  bytes += chain.note();
  const std::size_t at = bytes.find(R"("text":"x")");
  bytes += chain.note();
  bytes[at + 8] = 'y';
  write(folder / "runs", "a-1", bytes);
  Board board(folder / "runs");
  board.look(20, start);
  board.read(60);
  const RunView view = board.newest(start)->view(std::chrono::system_clock::now());
  REQUIRE(view.trouble);
  CHECK(view.trouble->find("record 2") != std::string::npos);
  CHECK(view.digest->records == 2);
  CHECK(board.newest(start)->over());
}

TEST_CASE("a journal that cannot be read for a while is read on when it can be again") {
  const tests::TemporaryFolder folder;
  const auto here = folder / "runs/a-1/journal.ndjson", away = folder / "away";
  Chain chain;
  write(folder / "runs", "a-1", chain.begun("cold room"));
  Board board(folder / "runs");
  board.look(20, start);
  board.read(60);
  const RunFeed* run = board.newest(start);
  const auto view = [&] { return run->view(std::chrono::system_clock::now()); };
  REQUIRE_FALSE(view().trouble);
  std::filesystem::last_write_time(here, std::filesystem::file_time_type::clock::now() - std::chrono::hours(1));
  CHECK(view().age_s > 3000);

  std::filesystem::rename(here, away);
  SECTION("it is not there") {}
  SECTION("reading it fails") {
    std::filesystem::create_directory(here);
  }
  board.read(60);
  REQUIRE(view().trouble);
  CHECK_FALSE(view().damaged);
  CHECK_FALSE(run->over());
  CHECK(view().age_s > 3000);  // what was known of it before
  CHECK(view().digest->records == 2);
  const auto before = run->changes();
  board.read(60);
  CHECK(run->changes() == before);  // the same trouble is nothing new

  std::filesystem::remove(here);
  std::filesystem::rename(away, here);
  write(folder / "runs", "a-1", chain.note(), std::ios::app);
  board.read(60);
  CHECK_FALSE(view().trouble);
  CHECK(run->changes() > before);
  CHECK(view().digest->records == 3);
}

TEST_CASE("a torn end is where nothing more has come, as verify judges it; what looks like one and is none is damage") {
  const tests::TemporaryFolder folder;
  const auto file = folder / "runs/a-1/journal.ndjson";
  Chain chain;
  std::string bytes = chain.begun("cold room");
  const Chain there = chain;
  // Sectors that never reached the disk, and the rest of what was written behind them.
  const auto zeros_to = [](std::size_t from, std::size_t sectors) {
    return std::string((from / 512 + sectors) * 512 - from, '\0');
  };
  std::string end;
  bool damaged = false;
  SECTION("zeros from a line's begin, and whole lines behind") {
    end = zeros_to(bytes.size(), 2) + "rest of a line\n" + Chain().note();
  }
  SECTION("zeros to the end of the file, longer than a line may be") {
    end = std::string(100000, '\0');
  }
  SECTION("zeros within a line") {
    const std::string line = chain("note", R"(,"text":")" + std::string(1000, 'x') + "\"");
    end = line.substr(0, (bytes.size() / 512 + 1) * 512 - bytes.size());
    end += std::string(512, '\0') + "x\n";
  }
  SECTION("an unfinished line") {
    end = R"({"n":2,"utc)";
  }
  SECTION("a zero in the place of no sector") {
    end = std::string("{\0}\n", 4);
    damaged = true;
  }
  SECTION("zeros, and more behind them than a disk can owe") {
    end = zeros_to(bytes.size(), 2) + "\n" + std::string(1200000, 'x');
    damaged = true;
  }
  write(folder / "runs", "a-1", bytes + end);
  const auto verdict = journal::verify(file);
  CHECK(verdict.ok() == !damaged);
  Board board(folder / "runs");
  board.look(20, start);
  board.read(60);
  board.read(60);
  const RunFeed* run = board.newest(start);
  std::filesystem::last_write_time(file, std::filesystem::file_time_type::clock::now() - std::chrono::hours(1));
  const RunView view = run->view(std::chrono::system_clock::now());
  INFO(view.trouble.value_or(""));
  CHECK(view.digest->records == 2);
  CHECK(view.trouble.has_value() == damaged);
  CHECK(view.damaged == damaged);
  CHECK(view.silent() == !damaged);
  CHECK_FALSE(view.reading());
  if (damaged) return;
  // A file system that is slow to show what was written: the zeros were none.
  chain = there;
  write(folder / "runs", "a-1", bytes + chain.notes(2));
  board.read(60);
  CHECK(run->digest().records == 4);
}

TEST_CASE("a journal in several files: what the next one holds again, or passes by, is neither read twice nor damage") {
  const tests::TemporaryFolder folder;
  const auto second = folder / "runs/a-1/journal-2.ndjson";
  Chain chain;
  const std::string bytes = chain.begun("cold room");
  const Chain two = chain;
  const std::string third = chain.note();
  const Chain three = chain;
  const auto write_second = [&](const std::string& text) { std::ofstream(second, std::ios::binary) << text; };
  const auto check = [&](const RunFeed* run, std::uint64_t records) {
    const RunView view = run->view(std::chrono::system_clock::now());
    INFO(view.trouble.value_or(""));
    CHECK_FALSE(view.trouble);
    CHECK(run->digest().records == records);
  };
  Board board(folder / "runs");
  SECTION("read before the next one came") {
    write(folder / "runs", "a-1", bytes + third);
    board.look(20, start);
    board.read(60);
    check(board.newest(start), 3);
    chain = two;
    write_second(chain.notes(2));
    board.read(60);
    check(board.newest(start), 4);
  }
  SECTION("a torn end, and the next one came later") {
    write(folder / "runs", "a-1", bytes + std::string(2048 - bytes.size(), '\0') + "x\n" + third);
    board.look(20, start);
    board.read(60);
    check(board.newest(start), 2);
    chain = two;
    write_second(chain.notes(2));
    board.read(60);
    check(board.newest(start), 4);
  }
  SECTION("lines between the two are missing") {
    write(folder / "runs", "a-1", bytes);
    chain = three;
    write_second(chain.note());
    board.look(20, start);
    board.read(60);
    CHECK(board.newest(start)->view(std::chrono::system_clock::now()).damaged);
  }
}
