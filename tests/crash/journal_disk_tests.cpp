// The journal on a disk that fails: nothing that was acknowledged is lost, nothing hangs, and what is left can be read.

#include <atomic>
#include <future>
#include <set>

#include "../journal/journal_fixture.hpp"
#include "faulty_disk.hpp"
#include "journal/journal.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

namespace {

constexpr int records_of_night = 24;

struct Night {
  std::atomic<int> acknowledged{0};  // lines
  std::atomic<int> told{0}, refused{0};
  int asked = 0;
  std::set<JournalNews::What> news;
  std::string lost;
};

JournalSettings settings_for(bool second) {
  JournalSettings settings;
  settings.file = "/runs/night/journal.ndjson";
  if (second) settings.second_folder = "/second/night";
  settings.planned_bytes = 4 * closing_room_bytes;
  settings.latest_sync =
      std::chrono::hours(1);  // only what is waited for is synced: the disk's calls are the same each time
  return settings;
}

std::string text_of_size(int i) {
  return std::string(static_cast<std::size_t>(40 + (i * 397) % 900), 'a');
}

// A short night: some records are waited for, others come on the way. Ends as a run does. A second folder's copies would be of
// the real file system: this disk is one for files that are written only.
void live_through(Night& night, const std::shared_ptr<FaultyDisk>& disk, bool second) {
  Journal journal(settings_for(second), disk);
  const auto wait_for_all = [&](int lines) {
    std::promise<void> told;
    ++night.asked;
    journal.commit([&, lines](const Result<void>& written) {
      ++night.told;
      if (written)
        night.acknowledged = lines;
      else
        ++night.refused;
      told.set_value();
    });
    told.get_future().wait();
  };
  for (int i = 0; i < records_of_night; ++i) {
    nlohmann::ordered_json fields = {{"text", text_of_size(i)}};
    if (i == 0) fields = {{"format", format_name}, {"run", "night"}};
    const auto taken = journal.append(i == 0 ? "opening" : "note", fields, stamp(i));
    if (!taken) night.lost = taken.error().text();
    if (i % 3 == 0) wait_for_all(i + 1);
  }
  const auto closed = journal.append("closing", {{"ending", "finished"}, {"why", ""}}, stamp(99));
  wait_for_all(records_of_night + 2);
  for (const auto& news : journal.take_news()) night.news.insert(news.what);
}

// The files as they are, in a folder where readers can read them. The second folder's files go beside the first one's, as after
// a copy that has caught up.
void put_down(const Folder& folder, const std::map<std::string, std::string>& files) {
  for (const auto& entry : std::filesystem::directory_iterator(folder / "")) std::filesystem::remove(entry.path());
  for (const auto& [path, bytes] : files) write_bytes(folder / std::filesystem::path(path).filename().string(), bytes);
}

std::map<std::string, std::string> as_written(const FaultyDisk::Files& files) {
  std::map<std::string, std::string> out;
  for (const auto& [path, file] : files) out[path] = file.bytes;
  return out;
}

// What is left holds the first `acknowledged` lines, and is whole or torn.
void check_left(const Folder& folder, int acknowledged) {
  if (!std::filesystem::exists(folder / "journal.ndjson")) {
    CHECK(acknowledged == 0);
    return;
  }
  std::size_t read_lines = 0;
  const auto whole = read(folder / "journal.ndjson", [&](const Record& record) {
    if (record.n > 0 && record.kind == "note") CHECK(record.body["text"] == text_of_size(static_cast<int>(record.n)));
    ++read_lines;
  });
  INFO((whole ? std::string() : whole.error().text()));
  REQUIRE(whole);
  CHECK(read_lines >= static_cast<std::size_t>(acknowledged));
  const auto verified = verify(folder / "journal.ndjson");
  REQUIRE(verified);
  CHECK(verified->head == whole->head);
}

// Lives through nights whose nth such call is bad, for n from 1 until there are no more such calls: how many depends on which
// records went together.
template <class Spoil, class Look>
int spoil_each(bool second, Spoil spoil, Look look) {
  for (int nth = 1;; ++nth) {
    const auto disk = std::make_shared<FaultyDisk>();
    spoil(*disk, nth);
    Night night;
    live_through(night, disk, second);
    if (!disk->struck()) return nth - 1;
    INFO("call " << nth);
    CHECK(night.told == night.asked);
    Folder folder;
    put_down(folder, as_written(disk->files()));
    check_left(folder, night.acknowledged);
    look(*disk, night, folder, nth);
  }
}

constexpr int waits_of_a_night = records_of_night / 3 + 1;

}  // namespace

TEST_CASE("a night on a good disk is whole, and only what nobody waited for may be late") {
  const auto disk = std::make_shared<FaultyDisk>();
  Night night;
  live_through(night, disk, false);
  CHECK(night.told == night.asked);
  CHECK(night.refused == 0);
  CHECK(night.news.empty());
  Folder folder;
  put_down(folder, as_written(disk->files()));
  const auto verified = verify(folder / "journal.ndjson");
  REQUIRE(verified);
  CHECK(verified->whole());
  CHECK(verified->lines == records_of_night + 2);
  CHECK(disk->calls(Call::sync) < records_of_night);  // many records, one sync
}

TEST_CASE("killed or without power at any call: what was acknowledged is there, and the journal can be read") {
  std::mt19937_64 random(20261125);
  Folder folder;
  int looked = 0, torn = 0;
  for (int nth = 1;; ++nth) {
    const auto disk = std::make_shared<FaultyDisk>();
    Night night;
    std::vector<std::pair<FaultyDisk::Files, int>> left;
    disk->at_call(nth, [&](const FaultyDisk::Files& files) { left.emplace_back(files, night.acknowledged); });
    live_through(night, disk, false);
    if (left.empty()) break;  // there are no more calls
    for (const auto& [files, acknowledged] : left) {
      INFO("before call " << nth);
      put_down(folder, as_written(files));  // a kill leaves what was written
      check_left(folder, acknowledged);
      for (int cut = 0; cut < 20; ++cut) {
        put_down(folder, after_power_cut(files, random));
        check_left(folder, acknowledged);
        if (const auto found = verify(folder / "journal.ndjson"); found && found->torn) ++torn;
        ++looked;
      }
    }
  }
  CHECK(looked >= 20 * 3 * waits_of_a_night);  // a write, a sync and a look at the file for each wait
  CHECK(torn > looked / 20);                   // the cuts do tear
}

TEST_CASE("a call that fails once, anywhere: the night goes on in a new file, or says at its start that it cannot") {
  struct Bad {
    Call call;
    int error;
  };
  const Bad bads[] = {{Call::create, EIO},   {Call::create, ENOSPC},   {Call::write, EIO},
                      {Call::write, ENOSPC}, {Call::sync, EIO},        {Call::sync, ENOSPC},
                      {Call::facts, EIO},    {Call::sync_folder, EIO}, {Call::reserve, ENOSPC}};
  for (const bool second : {false, true})
    for (const auto& bad : bads) {
      INFO(call_name(bad.call) << " gives " << bad.error << (second ? ", second folder" : ""));
      const int struck = spoil_each(
          second, [&](FaultyDisk& disk, int nth) { disk.fail(bad.call, nth, bad.error); },
          [&](FaultyDisk& disk, const Night& night, const Folder& folder, int nth) {
            const bool at_the_start = bad.call == Call::create || bad.call == Call::sync_folder ||
                                      bad.call == Call::reserve || (bad.call == Call::facts && nth == 1);
            if (at_the_start) {
              CHECK(night.refused == night.asked);
              CHECK(disk.files().empty());  // no file that looks like a journal
              CHECK_FALSE(night.lost.empty());
              return;
            }
            CHECK(night.refused == 0);
            CHECK(night.news.count(JournalNews::What::moved) == 1);
            const auto verified = verify(folder / "journal.ndjson");
            REQUIRE(verified);
            CHECK(verified->whole());
            CHECK(verified->lines == records_of_night + 2);
            CHECK(verified->files.size() == 2);
            CHECK(disk.files().count(second ? "/second/night/journal-2.ndjson" : "/runs/night/journal-2.ndjson") == 1);
          });
      CHECK(struck >= (bad.call == Call::write || bad.call == Call::sync ? waits_of_a_night : 1));
    }
}

TEST_CASE("a write that takes half, anywhere: the rest stands in a new file, and a follower sees every line once") {
  const int struck = spoil_each(
      false, [](FaultyDisk& disk, int nth) { disk.cut_short(nth); },
      [](FaultyDisk&, const Night& night, const Folder& folder, int) {
        CHECK(night.refused == 0);
        const auto verified = verify(folder / "journal.ndjson");
        REQUIRE(verified);
        CHECK(verified->whole());
        CHECK(verified->files.size() == 2);
        Follower follower(folder / "journal.ndjson");
        std::size_t followed = 0;
        for (auto lines = follower.next(5); lines && !lines->empty(); lines = follower.next(5))
          for (const auto& line : *lines) CHECK(parse_line(line)->n == followed++);
        CHECK(followed == verified->lines);
      });
  CHECK(struck >= waits_of_a_night);
}

TEST_CASE("a disk that fails for good: every waiter is told, and what was acknowledged before is there") {
  for (const Call call : {Call::write, Call::sync}) {
    INFO(call_name(call));
    const int struck = spoil_each(
        true, [&](FaultyDisk& disk, int nth) { disk.fail(call, nth, EIO, true); },
        [](FaultyDisk& disk, const Night& night, const Folder&, int) {
          CHECK(night.refused > 0);
          CHECK(disk.files().size() == 1);  // new files that took nothing are gone
        });
    CHECK(struck >= waits_of_a_night);
  }
}

TEST_CASE("a disk that hangs: records are taken, nobody is told, and all is well once it answers") {
  for (const Call call : {Call::create, Call::write, Call::sync}) {
    INFO(call_name(call));
    const auto disk = std::make_shared<FaultyDisk>();
    disk->hang(call, 1);
    Journal journal(settings_for(false), disk);
    std::atomic<bool> told{false};
    std::promise<void> done;
    REQUIRE(journal.append("opening", {{"format", format_name}}, stamp(0)));
    journal.commit([&](const Result<void>& written) {
      CHECK(written);
      told = true;
      done.set_value();
    });
    disk->wait_for_hang();
    for (int i = 1; i < 1000; ++i) REQUIRE(journal.append("note", {{"text", text_of_size(i)}}, stamp(i)));
    CHECK_FALSE(told);
    CHECK(journal.waiting().count() > 0);
    disk->release();
    done.get_future().wait();
  }
}

TEST_CASE("a disk that hangs for ever: what waits is bounded, and the owner gets away") {
  const auto disk = std::make_shared<FaultyDisk>();
  disk->hang(Call::sync, 1);
  {
    auto settings = settings_for(false);
    settings.most_waiting_bytes = 100'000;
    settings.patience = std::chrono::milliseconds(0);
    Journal journal(settings, disk);
    REQUIRE(journal.append("opening", {{"format", format_name}}, stamp(0)));
    journal.commit([](const Result<void>&) { FAIL("the owner is gone"); });
    int taken = 0;
    while (taken < 1000 && journal.append("note", {{"text", text_of_size(taken)}}, stamp(taken))) ++taken;
    CHECK(taken > 100);
    CHECK(taken < 1000);
    journal.commit([](const Result<void>&) { FAIL("the owner is gone"); });
    disk->wait_for_hang();
  }
  disk->release();
}

TEST_CASE("room that runs out is told in time, and the reserve takes the end") {
  const auto disk = std::make_shared<FaultyDisk>();
  disk->fail(Call::reserve, 2, ENOSPC, true);
  auto settings = settings_for(false);
  settings.planned_bytes = 2 * closing_room_bytes;
  Journal journal(settings, disk);
  std::set<JournalNews::What> news;
  std::uint64_t bytes_at_low = 0, bytes_at_out = 0;
  const std::string text(60'000, 'a');
  for (int i = 0; i < 60 && bytes_at_out == 0; ++i) {
    REQUIRE(journal.append("note", {{"text", text}}, stamp(i)));
    std::promise<void> told;
    journal.commit([&](const Result<void>& written) {
      CHECK(written);
      told.set_value();
    });
    told.get_future().wait();
    const std::uint64_t bytes = disk->files().begin()->second.bytes.size();
    for (const auto& one : journal.take_news()) {
      if (one.what == JournalNews::What::space_low) bytes_at_low = bytes;
      if (one.what == JournalNews::What::space_out) bytes_at_out = bytes;
    }
  }
  CHECK(bytes_at_low > 0);
  CHECK(bytes_at_low < bytes_at_out);
  CHECK(bytes_at_out + closing_room_bytes / 2 < settings.planned_bytes + closing_room_bytes);
}
