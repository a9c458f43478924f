// nightwell watch: a live page about one run, until the run ends or the person leaves. Without a terminal: a
// block of text whenever something changes.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/look.hpp"
#include "cli/run_status.hpp"
#include "cli/terminal.hpp"
#include "cli/watch_view.hpp"

namespace nightwell::cli {
namespace {

using nlohmann::json;
using Clock = std::chrono::steady_clock;

constexpr int columns_without_terminal = 100;

// The last line gives way to the trouble there is.
std::string page_of(const json& status, const std::string& trouble, TerminalSize size) {
  const int columns = size.columns - 1;  // see Screen::paint
  if (trouble.empty()) return render(status, columns, size.rows);
  const int rows = std::max(size.rows, 2);
  return render(status, columns, rows - 1) + "\n" +
         clip("OLD PICTURE: " + trouble, static_cast<std::size_t>(std::max(columns, 1)));
}

Followed watch_on_screen(const Context& context, const std::string& run, json status) {
  Screen screen;
  std::string trouble;
  Clock::time_point next = Clock::now() + between_looks;
  for (;;) {
    screen.paint(page_of(status, trouble, terminal_size()));
    if (ended(status)) return {std::move(status), ""};
    const auto left = std::chrono::ceil<Duration>(next - Clock::now());
    const Screen::Event event = screen.wait(std::max(left, Duration{0}));
    if (event == Screen::Event::leave) return {std::move(status), ""};
    if (event == Screen::Event::resized || Clock::now() < next) continue;
    Look look = look_at(context, run);
    next = Clock::now() + between_looks;
    if (look.refused) return {std::move(status), look.trouble};
    // A daemon that does not answer may come back, and somebody is watching: the old picture stays.
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

Followed watch_in_blocks(const Context& context, const std::string& run, json status) {
  std::string printed;
  return follow_run(context, run, std::move(status), [&printed](const json& seen) {
    std::string mark = mark_of(seen);
    if (mark == printed) return;
    print_block(seen);
    printed = std::move(mark);
  });
}

void watch(Context& context, const std::string& name) {
  auto status = find_run(context, name);
  if (!status) return;
  const std::string run = raw_text_at(*status, "run");
  const bool on_screen = can_paint();
  const Followed followed =
      on_screen ? watch_on_screen(context, run, std::move(*status)) : watch_in_blocks(context, run, std::move(*status));
  if (!followed.given_up.empty()) {
    tell(followed.given_up);
    context.exit = Exit::refused;
  } else if (!ended(followed.status)) {
    tell("the run goes on; `nightwell watch " + shown(run) + "` shows it again");
  } else {
    // The page went with the alternate screen: leave the end of it where it can be read.
    if (on_screen) say(render(followed.status, terminal_size().columns, 0) + "\n");
    context.exit = exit_of(followed.status);
  }
}

}  // namespace

void add_watch(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("watch", "follow a run live; ends with the run (exit 0 if it finished)");
  auto run = std::make_shared<std::string>();
  command->add_option("RUN", *run, "the run's id; may be left out where exactly one is open");
  command->callback([&context, run] { watch(context, *run); });
}

}  // namespace nightwell::cli
