// nightwell watch: a live page about one run, until the run ends or the person leaves. Without a terminal: a
// block of text whenever something changes.
#include <CLI/CLI.hpp>
#include <chrono>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/look.hpp"
#include "cli/run_status.hpp"
#include "cli/signals.hpp"
#include "cli/terminal.hpp"
#include "cli/watch_view.hpp"

namespace nightwell::cli {
namespace {

using nlohmann::json;
using Clock = std::chrono::steady_clock;

constexpr Duration between_looks = std::chrono::milliseconds(500);
// Nobody watches a pipe: a daemon that is gone this long ends the command there.
constexpr Clock::duration longest_silence = std::chrono::seconds(60);

constexpr int columns_without_terminal = 100;

// The last line gives way to the trouble there is.
std::string page_of(const json& status, const std::string& trouble, TerminalSize size) {
  const int columns = size.columns - 1;  // see Screen::paint
  if (trouble.empty()) return render(status, columns, size.rows);
  const int rows = std::max(size.rows, 2);
  return render(status, columns, rows - 1) + "\n" +
         clip("OLD PICTURE: " + trouble, static_cast<std::size_t>(std::max(columns, 1)));
}

// Gives the last status; the person may have left before the run's end.
json watch_on_screen(Context& context, const std::string& run, json status) {
  Screen screen;
  std::string trouble;
  Clock::time_point next = Clock::now() + between_looks;
  for (;;) {
    screen.paint(page_of(status, trouble, terminal_size()));
    if (ended(status)) return status;
    const auto left = std::chrono::duration_cast<Duration>(next - Clock::now());
    const Screen::Event event = left > Duration{0} ? screen.wait(left) : screen.wait(Duration{0});
    if (event == Screen::Event::leave) return status;
    if (event == Screen::Event::resized || Clock::now() < next) continue;
    Look look = look_at(context, run);
    next = Clock::now() + between_looks;
    trouble = look.trouble;
    if (look.status) status = std::move(*look.status);
  }
}

// What makes a new block worth printing.
std::string mark_of(const json& status) {
  json mark = json::array();
  for (const char* key : {"state", "ending", "waiting_for", "parked"}) mark.push_back(at(status, key));
  mark.push_back(at(at(status, "plateau"), "number"));
  mark.push_back(at(at(status, "sweeps"), "done"));
  for (const json& plateau : list_at(status, "plateaus")) mark.push_back(at(plateau, "outcome"));
  return mark.dump(-1, ' ', true, json::error_handler_t::replace);
}

void print_block(const json& status) {
  say(utc_text(raw_text_at(status, "utc")) + "\n" + render(status, columns_without_terminal, 0) + "\n\n");
  std::fflush(stdout);
}

json watch_in_blocks(Context& context, const std::string& run, json status) {
  Signals signals(leaving_signals);
  std::string printed;
  Clock::time_point last_answer = Clock::now();
  for (;;) {
    if (std::string mark = mark_of(status); mark != printed) {
      print_block(status);
      printed = std::move(mark);
    }
    if (ended(status) || signals.wait(between_looks) != 0) return status;
    Look look = look_at(context, run);
    if (look.status) {
      status = std::move(*look.status);
      last_answer = Clock::now();
    } else if (look.refused || Clock::now() - last_answer > longest_silence) {
      tell(look.trouble);
      context.exit = Exit::refused;
      return status;
    }
  }
}

void watch(Context& context, const std::string& name) {
  auto status = find_run(context, name);
  if (!status) return;
  const std::string run = raw_text_at(*status, "run");
  const bool on_screen = stdout_is_terminal();
  const json last =
      on_screen ? watch_on_screen(context, run, std::move(*status)) : watch_in_blocks(context, run, std::move(*status));
  if (context.exit != Exit::done) return;
  if (!ended(last)) return tell("the run goes on; `nightwell watch " + shown(run) + "` shows it again");
  // The page went with the alternate screen: leave the end of it where it can be read.
  if (on_screen) say(render(last, terminal_size().columns, 0) + "\n");
  context.exit = exit_of(last);
}

}  // namespace

void add_watch(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("watch", "follow a run live; ends with the run (exit 0 if it finished)");
  auto run = std::make_shared<std::string>();
  command->add_option("RUN", *run, "the run's id; may be left out where exactly one is open");
  command->callback([&context, run] { watch(context, *run); });
}

}  // namespace nightwell::cli
