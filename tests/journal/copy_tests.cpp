// The second copy: byte for byte, never ahead, and nobody's burden.

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <future>
#include <thread>

#include "journal/copy.hpp"
#include "journal/journal.hpp"
#include "journal_fixture.hpp"

using namespace nightwell;
using namespace nightwell::journal;
using namespace nightwell::journal::fixture;

namespace {

struct Told {
  std::promise<std::string> behind, caught_up;
  std::chrono::milliseconds after_end{0};
  std::shared_ptr<Copy> start(const std::filesystem::path& source, const std::filesystem::path& target,
                              std::chrono::milliseconds longest_hang = std::chrono::minutes(1)) {
    const Copy::Pauses pauses{std::chrono::milliseconds(0), std::chrono::milliseconds(1), longest_hang, after_end};
    return Copy::start(
        source, target,
        [this](Copy::News news, const std::string& text) {
          (news == Copy::News::behind ? behind : caught_up).set_value(text);
        },
        pauses);
  }
};

constexpr std::chrono::seconds long_enough{30};  // ends a test that would hang

}  // namespace

TEST_CASE("a copy gets what is on disk, and no more") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  std::filesystem::create_directory(folder / "share");
  Told told;
  const auto copy = told.start(folder / "whole", folder / "share/run/journal.ndjson");
  const std::size_t some = offset_of(bytes, 3);
  copy->offer(some);
  copy->finish();
  REQUIRE(copy->wait(long_enough));
  CHECK(bytes_of(folder / "share/run/journal.ndjson") == bytes.substr(0, some));
}

TEST_CASE("a copy never overwrites a file, and says why it is behind") {
  Folder folder;
  write_small_journal(folder / "whole");
  std::filesystem::create_directories(folder / "share/run");
  write_bytes(folder / "share/run/journal.ndjson", "another night");
  Told told;
  const auto copy = told.start(folder / "whole", folder / "share/run/journal.ndjson");
  copy->offer(10);
  CHECK(told.behind.get_future().get().find("exists") != std::string::npos);
  copy->finish();
  REQUIRE(copy->wait(long_enough));
  CHECK(bytes_of(folder / "share/run/journal.ndjson") == "another night");
}

TEST_CASE("a copy that could not be written catches up, and says both once") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  std::filesystem::create_directory(folder / "share");
  write_bytes(folder / "share/run", "a file where the folder should be");
  Told told;  // a second promise of a kind would throw: each is told once
  const auto copy = told.start(folder / "whole", folder / "share/run/journal.ndjson");
  copy->offer(offset_of(bytes, 2));
  CHECK(told.behind.get_future().get().find("share/run") != std::string::npos);
  copy->offer(offset_of(bytes, 4));
  std::filesystem::remove(folder / "share/run");
  told.caught_up.get_future().get();
  copy->offer(bytes.size());
  copy->finish();
  REQUIRE(copy->wait(long_enough));
  CHECK(compare(folder / "whole", folder / "share/run/journal.ndjson")->equal());
}

TEST_CASE("a share that comes back behind the end of the run gets the rest") {
  Folder folder;
  write_small_journal(folder / "whole");
  std::filesystem::create_directory(folder / "share");
  write_bytes(folder / "share/run", "a file where the folder should be");
  Told told;
  told.after_end = std::chrono::hours{1};
  const auto copy = told.start(folder / "whole", folder / "share/run/journal.ndjson");
  copy->offer(std::filesystem::file_size(folder / "whole"));
  told.behind.get_future().get();
  copy->finish();
  CHECK_FALSE(copy->wait(std::chrono::milliseconds(20)));
  std::filesystem::remove(folder / "share/run");
  REQUIRE(copy->wait(long_enough));
  CHECK(compare(folder / "whole", folder / "share/run/journal.ndjson")->equal());
}

TEST_CASE("a copy that was taken away is made anew") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  std::filesystem::create_directory(folder / "share");
  Told told;
  const auto copy = told.start(folder / "whole", folder / "share/run/journal.ndjson");
  copy->offer(offset_of(bytes, 2));
  while (copy->behind() > 0) std::this_thread::yield();
  std::filesystem::remove(folder / "share/run/journal.ndjson");
  copy->offer(offset_of(bytes, 4));
  CHECK(told.behind.get_future().get().find("not there under its name") != std::string::npos);
  told.caught_up.get_future().get();
  copy->offer(bytes.size());
  copy->finish();
  REQUIRE(copy->wait(long_enough));
  CHECK(compare(folder / "whole", folder / "share/run/journal.ndjson")->equal());
}

TEST_CASE("what took a copy's place is let be") {
  Folder folder;
  write_small_journal(folder / "whole");
  const std::string bytes = bytes_of(folder / "whole");
  std::filesystem::create_directory(folder / "share");
  Told told;
  const auto copy = told.start(folder / "whole", folder / "share/run/journal.ndjson");
  copy->offer(offset_of(bytes, 2));
  while (copy->behind() > 0) std::this_thread::yield();
  write_bytes(folder / "share/run/journal.ndjson", "another night");
  copy->offer(bytes.size());
  CHECK(told.behind.get_future().get().find("not there under its name") != std::string::npos);
  copy->finish();
  REQUIRE(copy->wait(long_enough));
  CHECK(copy->behind() > 0);
  CHECK(bytes_of(folder / "share/run/journal.ndjson") == "another night");
}

TEST_CASE("a copy whose disk hangs is behind, and says so") {
  Folder folder;
  write_small_journal(folder / "whole");
  std::filesystem::create_directory(folder / "share");
  // A pipe that nobody writes to hangs whoever opens it.
  REQUIRE(::mkfifo((folder / "source").c_str(), 0600) == 0);
  std::filesystem::create_hard_link(folder / "source", folder / "pipe");
  Told told;
  const auto copy = told.start(folder / "source", folder / "share/run/journal.ndjson", std::chrono::milliseconds(0));
  auto behind = told.behind.get_future();
  while (behind.wait_for(std::chrono::seconds(0)) != std::future_status::ready) copy->offer(10);
  CHECK(behind.get().find("answered nothing") != std::string::npos);
  std::filesystem::remove(folder / "source");
  std::filesystem::copy_file(folder / "whole", folder / "source");
  // Now the pipe opens, and is no file to read at a place. Where the copy's thread had yet to open it, it finds the file instead, and
  // nobody is there to wait for.
  auto caught_up = told.caught_up.get_future();
  while (caught_up.wait_for(std::chrono::milliseconds(1)) != std::future_status::ready)
    if (const int pipe = ::open((folder / "pipe").c_str(), O_WRONLY | O_NONBLOCK | O_CLOEXEC); pipe >= 0) ::close(pipe);
  copy->finish();
  REQUIRE(copy->wait(long_enough));
}

TEST_CASE("a share that is not there is told, and holds nobody") {
  Folder folder;
  JournalSettings settings;
  settings.file = folder / "journal.ndjson";
  settings.second_folder = folder / "no/share";
  std::vector<JournalNews> news;
  {
    Journal journal(settings);
    REQUIRE(journal.append("opening", {{"format", format_name}}, stamp(0)));
    REQUIRE(journal.append("closing", {{"ending", "finished"}}, stamp(1)));
    std::promise<Result<void>> told;
    journal.commit([&](const Result<void>& written) { told.set_value(written); });
    CHECK(told.get_future().get());
    journal.end();
    while (!journal.ended()) std::this_thread::yield();
    news = journal.take_news();
  }
  REQUIRE(news.size() == 1);
  CHECK(news[0].what == JournalNews::What::copy_behind);
  CHECK(news[0].text.find("not mounted") != std::string::npos);
  CHECK(verify(folder / "journal.ndjson")->whole());
}

TEST_CASE("a journal and its copy are equal once it has ended") {
  Folder folder;
  std::filesystem::create_directory(folder / "share");
  JournalSettings settings;
  settings.file = folder / "journal.ndjson";
  settings.second_folder = folder / "share/run";
  Journal journal(settings);
  REQUIRE(journal.append("opening", {{"format", format_name}}, stamp(0)));
  for (int i = 1; i < 2000; ++i) REQUIRE(journal.append("note", {{"text", std::string(300, 'a')}}, stamp(i)));
  REQUIRE(journal.append("closing", {{"ending", "finished"}}, stamp(2000)));
  journal.end();
  while (!journal.ended()) std::this_thread::yield();
  CHECK(verify(folder / "journal.ndjson")->lines == 2002);
  CHECK(compare(folder / "journal.ndjson", folder / "share/run/journal.ndjson")->equal());
  CHECK(verify(folder / "share/run/journal.ndjson")->whole());
}
