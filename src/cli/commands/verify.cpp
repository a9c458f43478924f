// nightwell verify: is a journal whole, closed and unchanged since it was written?
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/wording.hpp"
#include "journal/reader.hpp"

namespace nightwell::cli {
namespace {

std::string report(const std::filesystem::path& path, const journal::Verification& found) {
  std::string out = "journal  " + shown(path.string()) + "\n";
  out += "lines    " + std::to_string(found.lines) + "\n";
  out += "bytes    " + std::to_string(found.bytes) + "\n";
  out += "head     " + found.head + "\n";
  out += "ending   " + (found.ending ? words(*found.ending) : std::string("ended without closing")) + "\n";
  if (found.torn)
    out += "torn     " + std::to_string(found.torn->bytes.size()) + " bytes of an unfinished line at byte " +
           std::to_string(found.torn->offset) + ": all lines before it are whole\n";
  return out;
}

void verify(Context& context, const std::string& name) {
  const auto path = find_journal(name, context.state_root());
  if (!path) return context.fail(path.error());
  const auto found = journal::verify(*path);
  if (!found) {
    context.fail(found.error());
    context.exit = Exit::bad_input;
    return;
  }
  say(report(*path, *found));
  if (!found->ending || found->torn) context.exit = Exit::unfinished;
}

}  // namespace

void add_verify(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand(
      "verify", "check a journal: exit 0 whole and closed, 4 whole but not closed or torn, 2 damaged");
  auto name = std::make_shared<std::string>();
  command->add_option("JOURNAL", *name, "a file or a run's id; the newest run if left out");
  command->callback([&context, name] { verify(context, *name); });
}

}  // namespace nightwell::cli
