// nightwell keys: the pair of keys that a lab seals its journals with.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/wording.hpp"
#include "journal/seal.hpp"

namespace nightwell::cli {
namespace {

void make(Context& context, const std::string& file) {
  const auto key = journal::SigningKey::make(file);
  if (!key) return context.fail(key.error());
  say("private  " + shown(file) + "  (for nightwelld --seal-key; never leaves this computer but for a safe)\n");
  say("public   " + shown(file) + ".pub  (for nightwell verify --key; give it to whoever checks)\n");
  say("key      " + key->public_key() + "\n");
}

void show(Context& context, const std::string& file) {
  const auto key = journal::read_public_key(file);
  if (!key) return context.fail(key.error());
  say("key      " + *key + "\n");
}

}  // namespace

void add_keys(CLI::App& program, Context& context) {
  auto* command = program.add_subcommand("keys", "the keys that journals are sealed with (Ed25519)");
  command->require_subcommand(1);
  auto file = std::make_shared<std::string>();
  auto* making = command->add_subcommand("make", "make a pair: FILE (private) and FILE.pub (public)");
  making->add_option("FILE", *file, "must not exist")->required();
  making->callback([&context, file] { make(context, *file); });
  auto* showing = command->add_subcommand("show", "print the public key in a file, as seals name it");
  showing->add_option("FILE", *file, "a public or a private key")->required();
  showing->callback([&context, file] { show(context, *file); });
}

}  // namespace nightwell::cli
