// nightwell tail: a journal's records as they stand, and as they come.
#include <poll.h>
#include <sys/inotify.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/signals.hpp"
#include "cli/wording.hpp"
#include "journal/reader.hpp"
#include "journal/record_words.hpp"

namespace nightwell::cli {
namespace {

struct TailArguments {
  std::string name, kind;
  bool follow = false, raw = false;
  std::uint64_t since = 0;
};

// Wakes when a file has grown. Some file systems tell nobody, so it also wakes by itself once a second.
class Growth {
 public:
  explicit Growth(const std::filesystem::path& path) : fd_(::inotify_init1(IN_CLOEXEC | IN_NONBLOCK)) {
    if (fd_ >= 0) ::inotify_add_watch(fd_, path.c_str(), IN_MODIFY);
  }
  Growth(const Growth&) = delete;
  Growth& operator=(const Growth&) = delete;
  ~Growth() {
    if (fd_ >= 0) ::close(fd_);
  }

  // False once a signal asks us to leave.
  bool wait(Signals& signals) {
    pollfd waiting[2] = {{signals.fd(), POLLIN, 0}, {fd_, POLLIN, 0}};
    ::poll(waiting, 2, 1000);
    char events[4096];
    while (fd_ >= 0 && ::read(fd_, events, sizeof events) > 0) {
    }
    return signals.take() == 0;
  }

 private:
  int fd_;
};

// Prints what was asked for; knows when the journal is closed.
class Printer {
 public:
  explicit Printer(const TailArguments& arguments) : arguments_(arguments) {}

  Result<void> print(const std::string& line) {
    const auto record = journal::parse_line(line);
    if (!record) return record.error();
    if (record->kind == "opening") has_seal_ = record->body.value("format", "") != "nightwell-journal/1";
    closed_ = record->kind == (has_seal_ ? "seal" : "closing");
    // Every record is read, also those that are not shown: the first ones hold the names.
    const std::string text = text_.line(*record);
    if (record->n < arguments_.since || (!arguments_.kind.empty() && record->kind != arguments_.kind)) return {};
    say((arguments_.raw ? line : text) + "\n");
    return {};
  }
  [[nodiscard]] bool closed() const { return closed_; }

 private:
  const TailArguments& arguments_;
  journal::RecordWords text_;
  bool has_seal_ = false, closed_ = false;
};

void tell_torn_tail(const std::filesystem::path& path, std::uint64_t offset) {
  std::error_code error;
  const auto size = std::filesystem::file_size(path, error);
  if (!error && size > offset)
    tell(std::to_string(size - offset) + " bytes of an unfinished line at byte " + std::to_string(offset));
}

void tail(Context& context, const TailArguments& arguments) {
  const auto path = find_journal(arguments.name, context.state_root());
  if (!path) return context.fail(path.error());
  Signals signals(arguments.follow ? leaving_signals : std::initializer_list<int>{});
  Growth growth(*path);
  journal::Follower follower(*path);
  Printer printer(arguments);
  for (;;) {
    const auto lines = follower.next();
    if (!lines) return context.fail(lines.error());
    for (const std::string& line : *lines)
      if (const auto printed = printer.print(line); !printed) {
        context.fail(printed.error());
        return tell("see `nightwell verify` for the place");
      }
    if (!lines->empty()) continue;
    std::fflush(stdout);
    if (!arguments.follow) return tell_torn_tail(follower.path(), follower.offset());
    if (printer.closed() || !growth.wait(signals)) return;
  }
}

}  // namespace

void add_tail(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("tail", "print a journal, one short line a record");
  auto arguments = std::make_shared<TailArguments>();
  command->add_option("JOURNAL", arguments->name, "a file or a run's id; the newest run if left out");
  command->add_flag("--follow", arguments->follow, "go on as it grows, until it is closed");
  command->add_option("--since", arguments->since, "only records from this number on")->type_name("N");
  command->add_option("--kind", arguments->kind, "only records of this kind (docs/journal.md)")->type_name("KIND");
  command->add_flag("--raw", arguments->raw, "the exact bytes of the records");
  command->callback([&context, arguments] { tail(context, *arguments); });
}

}  // namespace nightwell::cli
