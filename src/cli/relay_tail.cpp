#include "cli/relay_tail.hpp"

#include <chrono>
#include <cstdio>
#include <optional>
#include <random>

#include "cli/relay_access.hpp"
#include "cli/wording.hpp"
#include "remote/following.hpp"
#include "remote/run_copy.hpp"

namespace nightwell::cli {
namespace {

using remote::Following;
using remote::RelayConnection;
using remote::Trouble;
using Left = RelayConnection::Left;

constexpr Duration between_syncs = std::chrono::seconds(1);

Exit exit_after(remote::Outcome outcome) {
  switch (outcome) {
    case remote::Outcome::done: return Exit::done;
    case remote::Outcome::unreachable:
    case remote::Outcome::refused: return Exit::refused;
    case remote::Outcome::damaged: return Exit::bad_input;
    case remote::Outcome::changed: return Exit::changed;
  }
  return Exit::bad_input;
}

// The loop around a Following: its wishes to the network, its happenings to standard output and the copy.
class Tailing {
 public:
  Tailing(Context& context, const RelayTail& wish, RelayAccess access)
      : context_(context),
        wish_(wish),
        access_(std::move(access)),
        printer_(wish.choice),
        following_({wish.run, wish.follow,
                    std::chrono::duration_cast<Duration>(std::chrono::duration<double>(wish.silence_s)),
                    std::random_device()()}) {}

  void run() {
    // A copy that is there already is taken up before the first line, so that nothing is asked for twice.
    if (!wish_.copy.empty() && !wish_.run.empty() &&
        std::filesystem::exists(remote::RunCopy::journal_in(wish_.copy, wish_.run)) && !open_copy(wish_.run))
      return;
    while (!failed_ && !left_ && !following_.ended()) {
      if (!following_.on_line()) connection_.reset();
      if (following_.on_line())
        listen();
      else if (following_.wants_line(now()))
        connect();
      else
        left_ = !access_.pause(following_.wake() - now());
    }
    std::fflush(stdout);
    if (copy_ && !failed_) finish_copy();
    if (!failed_) conclude();
  }

 private:
  [[nodiscard]] Instant now() const {
    return {std::chrono::duration_cast<Duration>(std::chrono::steady_clock::now() - begun_)};
  }

  void news(const std::string& text) { tell(utc_now_text() + " " + shown(text)); }

  bool fail(const Error& error) {
    context_.fail(error);
    failed_ = true;
    return false;
  }

  bool open_copy(const std::string& run) {
    auto copy = remote::RunCopy::open(wish_.copy, run, [this](std::string_view line) { print(line); });
    if (!copy) {
      fail(copy.error());
      if (copy.error().code == Errc::damaged) tell("the copy stays as it is; move it away to begin a new one");
      return false;
    }
    if (copy->cut() > 0)
      news("the copy ended in an unfinished line of " + std::to_string(copy->cut()) +
           " bytes, which was cut off: " + copy->path().string());
    following_.carry_on(copy->take_check());
    copy_.emplace(std::move(copy).value());
    return true;
  }

  void print(std::string_view line) {
    if (failed_) return;
    if (const auto printed = printer_.print(line); !printed) fail(printed.error());
  }

  void connect() {
    auto made = access_.connect();
    if (std::holds_alternative<Left>(made)) return leave();
    if (const auto* trouble = std::get_if<Trouble>(&made)) return take(following_.lost(*trouble, now()));
    connection_.emplace(std::move(std::get<RelayConnection>(made)));
    following_.connected(now());
    const auto sent = connection_->send(following_.request(), access_.wait());
    if (std::holds_alternative<Left>(sent)) return leave();
    if (const auto* trouble = std::get_if<Trouble>(&sent)) take(following_.lost(*trouble, now()));
  }

  void listen() {
    Duration longest = std::max(Duration{0}, following_.wake() - now());
    if (unsynced_) longest = std::min(longest, std::max(Duration{0}, synced_ + between_syncs - now()));
    const auto received = connection_->receive(longest, access_.wait());
    if (std::holds_alternative<Left>(received)) return leave();
    if (const auto* trouble = std::get_if<Trouble>(&received)) {
      take(following_.lost(*trouble, now()));
    } else if (const auto& bytes = std::get<std::string>(received); !bytes.empty()) {
      take(following_.bytes(bytes, now()));
    } else {
      take(following_.passed(now()));
    }
    keep();
  }

  void leave() { left_ = true; }

  void take(const remote::Happenings& happenings) {
    std::string opened;
    for (const auto& happening : happenings) {
      if (const auto* record = std::get_if<remote::NewRecord>(&happening)) {
        if (copy_) copy_->append(record->line);
        print(record->line);
      } else if (const auto* head = std::get_if<remote::NewHead>(&happening)) {
        if (copy_) copy_->append_head(head->line);
      } else if (const auto* told = std::get_if<remote::News>(&happening)) {
        news(told->text);
      } else {
        opened = std::get<remote::Opened>(happening).run;
      }
      if (failed_) return;
    }
    if (opened.empty()) return;
    if (!wish_.copy.empty() && !copy_ && !open_copy(opened)) return;
    // What came behind the hello.
    take(following_.bytes("", now()));
  }

  // Puts the copy on disk, and looks whether it is still there, at most once a second.
  void keep() {
    std::fflush(stdout);
    if (!copy_ || failed_) return;
    const auto written = copy_->write();
    if (!written) return (void)fail(written.error());
    unsynced_ = *written;
    if (now() < synced_ + between_syncs) return;
    if (const auto synced = copy_->sync(); !synced) return (void)fail(synced.error());
    synced_ = now();
    unsynced_ = false;
  }

  void finish_copy() {
    const auto written = copy_->write();
    const auto synced = written ? copy_->sync() : Result<void>(written.error());
    if (!synced) fail(synced.error());
  }

  void conclude() {
    if (!following_.ended()) return;  // somebody asked to leave
    context_.exit = exit_after(following_.outcome());
    if (following_.outcome() == remote::Outcome::changed)
      news("ANOTHER HISTORY than the relay showed before. " + following_.reason() +
           (copy_ ? ". The copy stays as it is: " + copy_->path().string() : ""));
    else if (!following_.reason().empty())
      news(following_.reason());
  }

  Context& context_;
  const RelayTail& wish_;
  RelayAccess access_;
  RecordPrinter printer_;
  Following following_;
  std::optional<RelayConnection> connection_;
  std::optional<remote::RunCopy> copy_;
  const std::chrono::steady_clock::time_point begun_ = std::chrono::steady_clock::now();
  Instant synced_;
  bool unsynced_ = false, failed_ = false, left_ = false;
};

}  // namespace

void tail_relay(Context& context, const RelayTail& wish) {
  auto access = RelayAccess::open(wish.file, wish.at);
  if (!access) return context.fail(access.error());
  Tailing(context, wish, std::move(access).value()).run();
}

}  // namespace nightwell::cli
