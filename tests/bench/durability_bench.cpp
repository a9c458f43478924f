// What durability costs, as ratios to the bare system calls on the same disk at the same time.
//
//   one record     append and commit, waited for, against write() and fdatasync() of as many bytes
//   groups of 64   64 records and one commit against one write() and one fdatasync() of as many bytes
//
// Method: each measured thing alternates with its yardstick; medians of ROUNDS. Usage: durability_bench [FOLDER [ROUNDS]]; give a
// folder on the disk that journals will be on (a tmpfs syncs nothing).

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <future>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "journal/journal.hpp"

using namespace nightwell;

namespace {

struct Times {
  std::vector<double> us;
  template <class Work>
  void time(Work work) {
    const auto from = std::chrono::steady_clock::now();
    work();
    us.push_back(std::chrono::duration<double, std::micro>(std::chrono::steady_clock::now() - from).count());
  }
  [[nodiscard]] double at(double share) {
    std::sort(us.begin(), us.end());
    return us[static_cast<std::size_t>(share * static_cast<double>(us.size() - 1))];
  }
};

void must(bool good, const char* what) {
  if (good) return;
  std::fprintf(stderr, "%s failed\n", what);
  std::exit(1);
}

void take(journal::Journal& journal, int n) {
  const nlohmann::ordered_json fields = {
      {"source", "bath"}, {"target_c", 60.0}, {"output", true}, {"why", "next plateau"}};
  const journal::Stamp stamp{"2026-03-01T21:14:05.000250Z", Instant{Duration{n}}};
  must(journal.append("command", fields, stamp).ok(), "append");
}

void wait_for_commit(journal::Journal& journal) {
  std::promise<bool> done;
  journal.commit([&](const Result<void>& written) { done.set_value(written.ok()); });
  must(done.get_future().get(), "commit");
}

void compare(const std::filesystem::path& folder, int group, int rounds) {
  const auto raw_path = folder / ("nightwell-raw-" + std::to_string(::getpid()));
  journal::JournalSettings settings;
  settings.file = folder / ("nightwell-bench-" + std::to_string(::getpid()) + ".ndjson");
  Times raw, ours;
  {
    journal::Journal journal(settings);
    take(journal, 0);
    wait_for_commit(journal);
    const std::string bytes(std::filesystem::file_size(settings.file) * static_cast<std::size_t>(group), 'x');
    const int fd = ::open(raw_path.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_APPEND, 0600);
    must(fd >= 0, "open");
    for (int i = 0; i < rounds; ++i) {
      ours.time([&] {
        for (int n = 0; n < group; ++n) take(journal, n);
        wait_for_commit(journal);
      });
      raw.time([&] {
        must(::write(fd, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size()), "write");
        must(::fdatasync(fd) == 0, "fdatasync");
      });
    }
    ::close(fd);
    std::printf(
        "groups of %-4d journal p50 %7.0f us, p99 %7.0f us   bare calls p50 %7.0f us, p99 %7.0f us   ratio %.2f   %.1f "
        "us a record\n",
        group, ours.at(0.5), ours.at(0.99), raw.at(0.5), raw.at(0.99), ours.at(0.5) / raw.at(0.5),
        ours.at(0.5) / group);
  }
  std::filesystem::remove(raw_path);
  std::filesystem::remove(settings.file);
}

}  // namespace

int main(int count, char** texts) {
  const std::filesystem::path folder = count > 1 ? texts[1] : ".";
  const int rounds = count > 2 ? std::atoi(texts[2]) : 2000;
  must(rounds > 0, "reading ROUNDS");
  for (const int group : {1, 4, 64, 256}) compare(folder, group, rounds);
}
