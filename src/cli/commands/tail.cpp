// nightwell tail: a journal's records as they stand, and as they come, from a file or from a relay.
#include <poll.h>
#include <sys/inotify.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <memory>
#include <utility>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/record_printer.hpp"
#include "cli/relay_access.hpp"
#include "cli/relay_tail.hpp"
#include "cli/signals.hpp"
#include "cli/wording.hpp"
#include "journal/frame.hpp"
#include "journal/reader.hpp"
#include "journal/record_words.hpp"
#include "remote/protocol.hpp"

namespace nightwell::cli {
namespace {

struct TailArguments {
  std::string name, relay, at, copy;
  bool follow = false;
  double silence_s = 300;
  RecordChoice choice;
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

  // At most so long. False once a signal asks us to leave, or nobody reads what is printed any more.
  bool wait(Signals& signals, Duration longest) {
    pollfd waiting[3] = {{signals.fd(), POLLIN, 0}, {fd_, POLLIN, 0}, {STDOUT_FILENO, 0, 0}};
    const auto whole = std::chrono::ceil<std::chrono::milliseconds>(std::min(longest, by_itself)).count();
    ::poll(waiting, 3, static_cast<int>(whole));
    char events[4096];
    while (fd_ >= 0 && ::read(fd_, events, sizeof events) > 0) {
    }
    return signals.take() == 0 && (waiting[2].revents & (POLLERR | POLLHUP)) == 0;
  }

 private:
  static constexpr Duration by_itself = std::chrono::seconds(1);
  int fd_;
};

// Tells of a journal that gains nothing: once, and that it goes on.
class Silence {
 public:
  explicit Silence(double longest_s)
      : longest_(std::chrono::duration_cast<Duration>(std::chrono::duration<double>(longest_s))) {}

  void gained() {
    if (std::exchange(told_, false)) tell(utc_now_text() + " records come again, after " + for_so_long());
    last_ = Clock::now();
  }
  void nothing_new(const std::filesystem::path& path) {
    if (told_ || longest_ == Duration{0} || Clock::now() - last_ < longest_) return;
    told_ = true;
    tell(utc_now_text() + " no record for " + for_so_long() + " in " + shown(path.string()) +
         ": the daemon may be dead, or the journal goes on in the daemon's second folder; look after the run");
  }
  // Until it has to be told; a negative time where that is past.
  [[nodiscard]] Duration left() const {
    if (told_ || longest_ == Duration{0}) return Duration::max();
    return longest_ - std::chrono::duration_cast<Duration>(Clock::now() - last_);
  }

 private:
  using Clock = std::chrono::steady_clock;

  [[nodiscard]] std::string for_so_long() const {
    return std::to_string(std::chrono::duration_cast<std::chrono::seconds>(Clock::now() - last_).count()) + " s";
  }

  Duration longest_;
  Clock::time_point last_ = Clock::now();
  bool told_ = false;
};

// A kind that this version does not know may stand in a newer journal.
bool check_kinds(Context& context, const std::vector<std::string>& kinds) {
  for (const auto& kind : kinds) {
    if (!journal::is_kind(kind)) {
      context.fail(Error{Errc::bad_input, "reading --kind",
                         "a kind is 1 to 32 lower-case letters and underscores (docs/journal.md)", kind});
      return false;
    }
    if (!journal::is_known_kind(kind))
      tell("this version knows no record of kind " + kind + "; a newer journal may have some");
  }
  return true;
}

void tell_torn_tail(const std::filesystem::path& path, std::uint64_t offset) {
  std::error_code error;
  const auto size = std::filesystem::file_size(path, error);
  if (!error && size > offset)
    tell(std::to_string(size - offset) + " bytes of an unfinished line at byte " + std::to_string(offset));
}

void tail_file(Context& context, const TailArguments& arguments) {
  const auto path = find_journal(arguments.name, context.state_root());
  if (!path) return context.fail(path.error());
  Signals signals(arguments.follow ? leaving_signals : std::initializer_list<int>{});
  Growth growth(*path);
  journal::Follower follower(*path);
  RecordPrinter printer(arguments.choice);
  Silence silence(arguments.silence_s);
  for (;;) {
    const auto lines = follower.next();
    if (!lines) return context.fail(lines.error());
    if (!lines->empty()) silence.gained();
    for (const std::string& line : *lines)
      if (const auto printed = printer.print(line); !printed) {
        context.fail(printed.error());
        return tell("see `nightwell verify` for the place");
      }
    if (!lines->empty()) continue;
    std::fflush(stdout);
    if (!arguments.follow) return tell_torn_tail(follower.path(), follower.offset());
    if (printer.closed()) return;
    silence.nothing_new(follower.path());
    if (!growth.wait(signals, std::max(Duration{0}, silence.left()))) return;
  }
}

void tail_from_relay(Context& context, const TailArguments& arguments) {
  if (!arguments.name.empty() && !remote::is_run_id(arguments.name))
    return context.fail(Error{Errc::bad_input, "reading JOURNAL",
                              "with --relay it is a run's id, as `nightwell runs --relay` lists it", arguments.name});
  tail_relay(context, {arguments.relay, arguments.at, arguments.name, arguments.copy, arguments.follow,
                       arguments.silence_s, arguments.choice});
}

void tail(Context& context, const TailArguments& arguments) {
  if (!check_kinds(context, arguments.choice.kinds)) return;
  if (arguments.relay.empty())
    tail_file(context, arguments);
  else
    tail_from_relay(context, arguments);
}

}  // namespace

void add_tail(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("tail", "print a journal, one short line a record");
  auto arguments = std::make_shared<TailArguments>();
  command->add_option("JOURNAL", arguments->name,
                      "a file, a folder with a journal, or a run's id; the newest run if left out");
  auto& choice = arguments->choice;
  command->add_flag("--follow", arguments->follow, "go on as it grows, until it is closed");
  command->add_option("--since", choice.since, "only records from this number on")->type_name("N");
  command
      ->add_option("--kind", choice.kinds, "only records of this kind (docs/journal.md); again or with commas for more")
      ->type_name("KIND")
      ->delimiter(',')
      ->expected(1)
      ->allow_extra_args(false)  // the next word is not the option's
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
  command->add_flag("--raw", choice.raw, "the exact bytes of the records");
  command->add_flag("--local", choice.local, "times in this computer's zone");
  auto* relay =
      command->add_option("--relay", arguments->relay, "from a relay: the follower's file")->type_name("NAME.pem");
  command->add_option("--at", arguments->at, "where the relay is, instead of the address in the follower's file")
      ->type_name("HOST:PORT")
      ->needs(relay);
  command->add_option("--copy", arguments->copy, "keep a checked copy in FOLDER/RUN, and go on where it stands")
      ->type_name("FOLDER")
      ->needs(relay);
  command
      ->add_option("--silence", arguments->silence_s,
                   "with --follow: say so where the journal gains nothing for so long (300; 0: never)")
      ->type_name("SECONDS")
      ->check(CLI::Range(0.0, 1e7));
  command->footer(
      "Exit codes: 0 done, or left by a signal; 2 bad input, or what the relay sends is no journal; 3 no relay, or it "
      "does not let "
      "this follower in; 6 the relay shows another history than it did before.");
  command->callback([&context, arguments] { tail(context, *arguments); });
}

}  // namespace nightwell::cli
