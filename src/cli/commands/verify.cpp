// nightwell verify: is a journal whole, closed and unchanged since it was written?
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/kept_heads.hpp"
#include "cli/wording.hpp"
#include "journal/reader.hpp"
#include "report/seal_words.hpp"

namespace nightwell::cli {
namespace {

struct VerifyArguments {
  std::string name, key, copy, heads;
};

std::string report(const journal::Verification& found) {
  std::string out;
  for (const auto& file : found.files) out += "journal  " + shown(file.string()) + "\n";
  out += "lines    " + std::to_string(found.lines) + "\n";
  out += "bytes    " + std::to_string(found.bytes) + "\n";
  out += "head     " + found.head + "\n";
  out += "ending   " +
         (found.ending   ? words(*found.ending)
          : found.closed ? std::string("closed, without a word how")
                         : std::string(report::not_closed)) +
         "\n";
  if (found.torn)
    out += "torn     " + std::to_string(found.torn->bytes.size()) + " bytes of unfinished lines at byte " +
           std::to_string(found.torn->offset) + ": all lines before it are whole\n";
  return out;
}

// The seal in words, and the exit code that goes with it. `key`: the public key that it should be by, or empty.
std::string judge_seal(const journal::Verification& found, const std::string& key, Exit& exit) {
  if (found.seal && found.seal->key && (key.empty() || *found.seal->key == key))
    return "sealed by " + *found.seal->key +
           (key.empty() ? " (whose key that is, only --key can tell)" : ", the key given");
  if (found.seal && found.seal->key) {
    exit = Exit::bad_input;
    return "BROKEN: sealed by " + *found.seal->key + ", which is not the key given";
  }
  if (!key.empty() && found.whole()) exit = Exit::unsealed;
  if (found.seal || (found.closed && !found.has_seals)) return "unsealed: nobody signed it";
  return found.closed ? "missing: cut off, or not written any more" : "none: the journal is not closed";
}

std::string judge_copy(const journal::Comparison& found, Exit& exit) {
  if (found.equal()) return "equal";
  if (found.differs_at) {
    exit = Exit::bad_input;
    return "DIFFERS from line " + std::to_string(*found.differs_in_line) + ", byte " +
           std::to_string(*found.differs_at);
  }
  if (exit == Exit::done) exit = Exit::unfinished;
  return "equal up to byte " + std::to_string(found.copied_bytes) + ", " +
         std::to_string(found.bytes - found.copied_bytes) + " bytes behind";
}

// A copy's folder, or a copy's file.
std::filesystem::path copy_of(const std::filesystem::path& file, const std::string& copy) {
  return std::filesystem::is_directory(copy) ? copy / file.filename() : std::filesystem::path(copy);
}

void verify(Context& context, const VerifyArguments& arguments) {
  const auto path = find_journal(arguments.name, context.state_root());
  if (!path) return context.fail(path.error());
  std::string key;
  if (!arguments.key.empty()) {
    const auto read = journal::read_public_key(arguments.key);
    if (!read) return context.fail(read.error());
    key = *read;
  }
  const auto found = journal::verify(*path);
  if (!found) {
    context.fail(found.error());
    context.exit = Exit::bad_input;
    return;
  }
  std::string text = report(*found);
  if (!found->whole()) context.exit = Exit::unfinished;
  text += "seal     " + judge_seal(*found, key, context.exit) + "\n";
  if (!arguments.copy.empty())
    for (const auto& file : found->files) {
      const auto copy = copy_of(file, arguments.copy);
      std::error_code same;
      if (std::filesystem::equivalent(file, copy, same)) continue;  // a file that went on there has no copy
      const auto compared = journal::compare(file, copy);
      if (!compared) return context.fail(compared.error());
      text += "copy     " + shown(copy.string()) + ": " + judge_copy(*compared, context.exit) + "\n";
    }
  if (!arguments.heads.empty()) {
    const auto judged = judge_heads(*path, arguments.heads);
    if (!judged) return context.fail(judged.error());
    text += "heads    " + heads_text(*judged) + "\n";
    if (!judged->fit()) context.exit = Exit::bad_input;
  }
  say(text);
}

}  // namespace

void add_verify(CLI::App& program, Context& context) {
  auto* command =
      program.add_subcommand("verify",
                             "check a journal: exit 0 whole and closed, 4 whole but not closed or torn, 5 "
                             "not sealed although --key asks, 2 damaged, or not what --copy or --heads say");
  auto arguments = std::make_shared<VerifyArguments>();
  command->add_option("JOURNAL", arguments->name,
                      "a file, a folder with a journal, or a run's id; the newest run if left out");
  command->add_option("--key", arguments->key, "the lab's public key: is the journal sealed, and by it?");
  command->add_option("--copy", arguments->copy, "a second copy, or its folder: is it equal?");
  command->add_option("--heads", arguments->heads,
                      "heads.ndjson of a follower's copy, or its folder: is every record there that it names?");
  command->callback([&context, arguments] { verify(context, *arguments); });
}

}  // namespace nightwell::cli
