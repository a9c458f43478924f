// nightwell keys: the pair of keys that a lab seals its journals with, and the certificates by which a relay and its followers know
// each other.
#include <CLI/CLI.hpp>
#include <ctime>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/relay_access.hpp"
#include "cli/relay_folder.hpp"
#include "cli/wording.hpp"
#include "journal/file.hpp"
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

std::string validity(const remote::CertificateFacts& facts) {
  const std::time_t now = std::time(nullptr);
  const int left = facts.days_left(now);
  std::string out = utc_day_text(facts.from) + " to " + utc_day_text(facts.until);
  if (facts.expired(now)) return out + ": EXPIRED";
  return left <= remote::warn_days ? out + ": " + std::to_string(left) + (left == 1 ? " day more" : " days more") : out;
}

std::string certificate_text(const remote::CertificateFacts& facts) {
  std::string hosts;
  for (const auto& host : facts.hosts) hosts += (hosts.empty() ? "" : ", ") + shown(host);
  return std::string(remote::name(facts.role)) +
         std::string(11 - std::string_view(remote::name(facts.role)).size(), ' ') + shown(facts.name) +
         "\nvalid      " + validity(facts) + "\n" + (hosts.empty() ? "" : "hosts      " + hosts + "\n") +
         "key        " + facts.key + "\n";
}

// The certificates in a file; nothing where it holds none.
std::string certificates_in(const std::string& path) {
  const auto file = journal::open_for_reading(path);
  const auto size = file ? journal::size_of(*file, path) : Result<std::uint64_t>(file.error());
  constexpr std::uint64_t largest = 256 * 1024;
  if (!size || *size > largest) return "";
  const auto text = journal::read_from(*file, path, 0, static_cast<std::size_t>(*size));
  const auto found =
      text ? remote::read_certificates(*text) : Result<std::vector<remote::CertificateFacts>>(text.error());
  std::string out;
  if (found)
    for (const auto& facts : *found) out += (out.empty() ? "" : "\n") + certificate_text(facts);
  if (const auto follower = text ? remote::parse_follower_file(*text) : Result<remote::FollowerFile>(text.error());
      follower)
    out = "relay at   " + remote::print(follower->relay) + "\n\n" + out;
  return out;
}

void show(Context& context, const std::string& file) {
  if (const auto certificates = certificates_in(file); !certificates.empty()) return say(certificates);
  const auto key = journal::read_public_key(file);
  if (!key) return context.fail(key.error());
  say("key      " + *key + "\n");
}

struct RelayArguments {
  std::string folder, listen, state;
  std::vector<std::string> hosts;
  int days = remote::issued_days, authority_days = remote::authority_days;
  bool renew = false;
};

void make_relay(Context& context, const RelayArguments& arguments) {
  const std::time_t now = std::time(nullptr);
  const std::string folder = shown(arguments.folder);
  if (arguments.renew) {
    const auto facts = renew_relay(arguments.folder, arguments.hosts, now, arguments.days);
    if (!facts) return context.fail(facts.error());
    say(certificate_text(*facts));
    return say("Restart the relay: nightwell-relay " + folder + "/relay.json\n");
  }
  if (arguments.hosts.empty())
    return context.fail(
        Error{Errc::bad_input, "reading --host", "give the name or address that followers connect to", ""});
  const auto state = context.state_root();
  if (!state) return context.fail(state.error());
  const auto listen = make_relay_folder(
      {arguments.folder, *state, arguments.hosts, arguments.listen, arguments.authority_days, arguments.days}, now);
  if (!listen) return context.fail(listen.error());
  say("relay      " + folder + "/relay.json, to listen on " + shown(*listen) + " and read the runs in " +
      shown(state->string()) + "\n");
  say("authority  " + folder + "/authority.key makes certificates; the relay does not need it: keep it safe\n");
  say("Next: nightwell keys follower " + folder + " NAME; then nightwell-relay " + folder + "/relay.json\n");
}

void make_follower(Context& context, const NewFollower& wish) {
  const auto made = add_follower(wish, std::time(nullptr));
  if (!made) return context.fail(made.error());
  say("follower   " + shown(made->file.string()) + "  (the private key is in it: give it to " + shown(wish.name) +
      " alone, then delete it here)\n");
  say("relay at   " + remote::print(made->relay) + "\n");
  say("valid      " + validity(made->facts) + "\n");
  say("key        " + made->facts.key + "\n");
  if (!made->browser_file.empty())
    say("browser    " + shown(made->browser_file.string()) + ", password " + made->password +
        "  (shown this once; send it another way than the file)\n");
  say("A relay that is running must be restarted to let it in.\n");
}

void remove(Context& context, const std::string& folder, const std::string& name) {
  const auto removed = remove_follower(folder, name);
  if (!removed) return context.fail(removed.error());
  say("removed    " + shown(name) + ", " + shown(removed->key) + "\n");
  if (removed->left > 0) return say("A relay that is running must be restarted to keep it out.\n");
  say("A relay that is running must be stopped to keep it out. Nobody is left on the list: it will not start again "
      "before\n"
      "nightwell keys follower has let somebody in.\n");
}

CLI::Option* add_days(CLI::App& command, const char* option, int& days, const char* what) {
  return command.add_option(option, days, what)
      ->type_name("DAYS")
      ->check(CLI::Range(remote::fewest_days, remote::most_days))
      ->capture_default_str();
}

void add_relay(CLI::App& keys, Context& context) {
  auto* command = keys.add_subcommand("relay", "make a relay's folder: its authority, its certificate, relay.json");
  auto arguments = std::make_shared<RelayArguments>();
  command->add_option("FOLDER", arguments->folder, "a new one, on the computer of the daemon")->required();
  command->add_option("--host", arguments->hosts, "the name or address that followers connect to; again for more")
      ->type_name("NAME_OR_ADDRESS")
      ->expected(1)
      ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
  command
      ->add_option("--listen", arguments->listen,
                   "where the relay listens; the first --host and 7440 if it is an address")
      ->type_name("ADDR:PORT");
  command->add_flag("--renew", arguments->renew, "only a new relay.pem for the same key, in a folder that is there");
  add_days(*command, "--days", arguments->days, "how long the relay's certificate is valid");
  add_days(*command, "--authority-days", arguments->authority_days, "how long the authority is valid");
  command->callback([&context, arguments] { make_relay(context, *arguments); });
}

void add_follower_commands(CLI::App& keys, Context& context) {
  auto wish = std::make_shared<NewFollower>();
  auto* adding =
      keys.add_subcommand("follower", "let somebody follow: FOLDER/NAME.pem, and its place on the allow-list");
  adding->add_option("FOLDER", wish->folder, "the relay's")->required();
  adding->add_option("NAME", wish->name, "letters, digits, '.', '_', '-'")->required();
  adding->add_option("--at", wish->at, "what to connect to; the relay's first host and its port if left out")
      ->type_name("HOST:PORT");
  adding->add_flag("--browser", wish->browser,
                   "also NAME.p12 for a phone's or a browser's certificates, with a password");
  add_days(*adding, "--days", wish->days, "how long the certificate is valid");
  adding->callback([&context, wish] { make_follower(context, *wish); });

  auto* removing = keys.add_subcommand("remove", "take a follower from the allow-list");
  auto folder = std::make_shared<std::string>(), name = std::make_shared<std::string>();
  removing->add_option("FOLDER", *folder, "the relay's")->required();
  removing->add_option("NAME", *name)->required();
  removing->callback([&context, folder, name] { remove(context, *folder, *name); });
}

}  // namespace

void add_keys(CLI::App& program, Context& context) {
  auto* command =
      program.add_subcommand("keys", "the keys that journals are sealed with, and those of a relay and its followers");
  command->require_subcommand(1);
  auto file = std::make_shared<std::string>();
  auto* making =
      command->add_subcommand("make", "make a pair to seal with (Ed25519): FILE (private) and FILE.pub (public)");
  making->add_option("FILE", *file, "must not exist")->required();
  making->callback([&context, file] { make(context, *file); });
  auto* showing = command->add_subcommand("show", "print the public key in a file, or its certificates");
  showing->add_option("FILE", *file, "a key, a certificate, or a follower's file")->required();
  showing->callback([&context, file] { show(context, *file); });
  add_relay(*command, context);
  add_follower_commands(*command, context);
}

}  // namespace nightwell::cli
