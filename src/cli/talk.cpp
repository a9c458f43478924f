#include "cli/talk.hpp"

#include <editline/readline.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <asio/awaitable.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/io_context.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/steady_timer.hpp>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <deque>
#include <optional>

#include "cli/context.hpp"
#include "cli/signals.hpp"
#include "cli/talk_text.hpp"
#include "instrument/awaitable.hpp"
#include "instrument/open_port.hpp"
#include "instrument/wire.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::cli {

namespace {

using instrument::use_tuple;
using std::chrono::milliseconds;
using std::chrono::steady_clock;

constexpr milliseconds part_of_a_line{100};  // after so long what has come of a line is shown
constexpr milliseconds after_an_answer{50};  // a script waits so long whether more comes
constexpr std::chrono::seconds opening{5}, sending{5};
constexpr const char* prompt_text = "> ";
constexpr int longest_history = 1000;

std::string time_now() {
  const auto since = std::chrono::floor<milliseconds>(std::chrono::system_clock::now()).time_since_epoch().count();
  const auto seconds = static_cast<std::time_t>(since / 1000);
  std::tm parts{};
  ::localtime_r(&seconds, &parts);
  char text[32];
  std::snprintf(text, sizeof text, "%02d:%02d:%02d.%03d ", parts.tm_hour, parts.tm_min, parts.tm_sec,
                static_cast<int>(since % 1000));
  return text;
}

// The library that edits lines calls back without an argument: where the typed line goes. One conversation at a time.
struct Typing {
  std::function<void(char*)> on_line;
  bool line_ended = false;  // by the newest key
  bool fresh = true;        // no key since the last line; the library still holds that line's text
};
Typing& typing() {
  static Typing now;
  return now;
}

constexpr int end_key = 4;  // Ctrl-D

// On an empty line only; the library tells its own end of input by a byte that it may have edited away.
int end_of_talk(int, int) {
  if ((rl_end == 0 || typing().fresh) && typing().on_line) typing().on_line(nullptr);
  return 0;
}

// Line editing while the object lives; whatever way it ends, the terminal is as before.
class Editor {
 public:
  explicit Editor(std::function<void(char*)> on_line) {
    typing() = Typing{std::move(on_line)};
    rl_readline_name = "nightwell";
    rl_catch_signals = 0;
    rl_inhibit_completion = 1;
    using_history();
    stifle_history(longest_history);
    rl_initialize();
    rl_add_defun("end-of-talk", end_of_talk, end_key);
    install();
  }
  Editor(const Editor&) = delete;
  Editor& operator=(const Editor&) = delete;
  ~Editor() {
    rl_callback_handler_remove();
    typing() = Typing();
  }
  static void key() {
    typing().line_ended = false;
    rl_callback_read_char();
    typing().fresh = typing().line_ended;
  }
  // A line above the one that is being typed.
  static void show(const std::string& text) {
    const std::string typed = typing().fresh ? "" : std::string(rl_line_buffer, static_cast<std::size_t>(rl_end));
    rl_callback_handler_remove();
    say("\r\x1b[K" + text + "\n");
    std::fflush(stdout);
    install();
    if (typed.empty()) return;
    rl_insert_text(typed.c_str());
    rl_forced_update_display();
  }

 private:
  static void install() {
    rl_callback_handler_install(prompt_text, [](char* line) {
      typing().line_ended = true;
      typing().on_line(line);
    });
  }
};

class Conversation {
 public:
  explicit Conversation(const TalkSettings& settings)
      : settings_(settings),
        wire_(instrument::make_wire(io_, settings.connection)),
        port_(wire_->make_port()),
        lines_(settings.reply_end),
        input_(io_),
        ending_(io_),
        part_(io_),
        answered_(io_),
        signals_(leaving_signals) {}

  Result<void> run() {
    asio::co_spawn(io_, go(), asio::detached);
    io_.run();
    editor_.reset();
    return result_;
  }

 private:
  asio::awaitable<void> go() {
    const auto deadline = steady_clock::now() + opening;
    const Result<void> opened = co_await port_->open(deadline);
    if (!opened) {
      result_ = opened.error();
      co_return;
    }
    std::error_code ignored;
    ending_.assign(::dup(signals_.fd()), ignored);
    asio::co_spawn(io_, watch_signals(), asio::detached);
    asio::co_spawn(io_, listen(), asio::detached);
    struct stat state {};
    const bool is_file = ::fstat(STDIN_FILENO, &state) == 0 && S_ISREG(state.st_mode);
    if (!is_file) input_.assign(::dup(STDIN_FILENO), ignored);
    if (::isatty(STDIN_FILENO) != 0 && ::isatty(STDOUT_FILENO) != 0)
      co_await talk_to_a_person();
    else
      co_await follow_a_script();
    leave();
  }

  void leave() {
    std::error_code ignored;
    port_->close();
    input_.close(ignored);
    ending_.close(ignored);
    part_.cancel();
    answered_.cancel();
    leaving_ = true;
  }

  asio::awaitable<void> watch_signals() {
    co_await ending_.async_wait(asio::posix::stream_descriptor::wait_read, use_tuple);
    if (!leaving_) leave();
  }

  // ---- what the instrument says ----

  asio::awaitable<void> listen() {
    const auto port = port_;
    std::array<char, 4096> buffer{};
    const std::span<char> room(buffer);
    for (;;) {
      const auto deadline = steady_clock::now() + std::chrono::hours(24);
      const Result<std::size_t> count = co_await port->read_some(room, deadline);
      if (leaving_) co_return;
      if (!count && count.error().code == Errc::no_answer) continue;
      if (!count) {
        show_rest();
        result_ = count.error();
        leave();
        co_return;
      }
      heard(std::string_view(buffer.data(), *count));
    }
  }

  void heard(std::string_view bytes) {
    last_heard_ = steady_clock::now();
    for (const std::string& line : lines_.take(bytes)) show(line);
    part_.expires_after(part_of_a_line);
    part_.async_wait([this](const asio::error_code& problem) {
      if (!problem) show_rest();
    });
    answered_.cancel();
  }

  void show_rest() {
    if (const std::string rest = lines_.rest(); !rest.empty()) show(rest);
  }

  void show(const std::string& bytes) {
    std::string text = settings_.times ? time_now() : "";
    text += settings_.hex ? shown(bytes, "", true) : "< " + shown(bytes, settings_.reply_end, false);
    if (editor_) return Editor::show(text);
    say(text + "\n");
    std::fflush(stdout);
  }

  // ---- what is said to it ----

  asio::awaitable<bool> send(std::string line) {
    auto bytes = wire_log::unescaped(line);
    if (!bytes) {
      const Error error{Errc::bad_input, "sending a line",
                        "an escape is none of \\n, \\r, \\\\ and \\xNN; a backslash itself is \\\\", line};
      if (!editor_) result_ = error;
      if (editor_) Editor::show(error.text());
      co_return editor_ != nullptr;
    }
    *bytes += settings_.command_end;
    if (!editor_ && settings_.times) say(time_now() + "> " + wire_log::escaped(*bytes) + "\n");
    const auto port = port_;
    const auto deadline = steady_clock::now() + sending;
    const Result<void> sent = co_await port->write_all(*bytes, deadline);
    if (sent || leaving_) co_return !leaving_;
    result_ = sent.error();
    co_return false;
  }

  asio::awaitable<void> talk_to_a_person() {
    editor_ = std::make_unique<Editor>([this](char* line) {
      if (line == nullptr) {
        input_ended_ = true;
        return;
      }
      typed_.emplace_back(line);
      if (*line != '\0') ::add_history(line);
      std::free(line);
    });
    while (!leaving_ && !input_ended_) {
      const auto [problem] = co_await input_.async_wait(asio::posix::stream_descriptor::wait_read, use_tuple);
      if (problem || leaving_) break;
      Editor::key();
      while (!typed_.empty()) {
        std::string line = std::move(typed_.front());
        typed_.pop_front();
        const bool going_on = co_await send(std::move(line));
        if (!going_on) co_return;
      }
    }
    editor_.reset();
    say("\n");
  }

  asio::awaitable<void> follow_a_script() {
    while (!leaving_) {
      std::optional<std::string> line = co_await next_line();
      if (!line) co_return;
      const bool going_on = co_await send(std::move(*line));
      if (!going_on) co_return;
      co_await wait_for_answer();
    }
  }

  // Without its LF; nothing at the end. A file never lets one wait; all else is waited for.
  asio::awaitable<std::optional<std::string>> next_line() {
    for (;;) {
      if (const std::size_t end = script_.find('\n'); end != std::string::npos) {
        std::string line = script_.substr(0, end);
        script_.erase(0, end + 1);
        co_return line;
      }
      std::array<char, 4096> buffer{};
      if (input_.is_open()) {
        const auto [problem] = co_await input_.async_wait(asio::posix::stream_descriptor::wait_read, use_tuple);
        if (problem) co_return std::nullopt;
      }
      const ssize_t count = ::read(STDIN_FILENO, buffer.data(), buffer.size());
      if (count > 0) {
        script_.append(buffer.data(), static_cast<std::size_t>(count));
        continue;
      }
      if (script_.empty()) co_return std::nullopt;
      co_return std::exchange(script_, {});
    }
  }

  // Until something came and then nothing for a moment, at most the time of a reply.
  asio::awaitable<void> wait_for_answer() {
    const auto begin = steady_clock::now();
    while (!leaving_) {
      const bool answered = last_heard_ >= begin;
      const auto until = answered ? last_heard_ + after_an_answer : begin + settings_.connection.reply;
      if (steady_clock::now() >= until) break;
      answered_.expires_at(until);
      co_await answered_.async_wait(use_tuple);
    }
    show_rest();
  }

  const TalkSettings& settings_;
  asio::io_context io_{1};
  std::unique_ptr<instrument::Wire> wire_;
  std::shared_ptr<instrument::BytePort> port_;
  HeardLines lines_;
  asio::posix::stream_descriptor input_, ending_;
  asio::steady_timer part_, answered_;
  Signals signals_;
  std::unique_ptr<Editor> editor_;
  std::deque<std::string> typed_;
  std::string script_;
  steady_clock::time_point last_heard_{};
  Result<void> result_;
  bool input_ended_ = false, leaving_ = false;
};

}  // namespace

Result<void> talk(const TalkSettings& settings) {
  instrument::ignore_sigpipe();
  Conversation conversation(settings);
  return conversation.run();
}

}  // namespace nightwell::cli
