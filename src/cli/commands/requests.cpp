// nightwell hold | resume | skip | stop | park | ready: what a person may ask of a run.
#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/look.hpp"

namespace nightwell::cli {
namespace {

struct Request {
  const char* word;
  const char* help;
};

constexpr Request requests[] = {
    {"hold", "stay where the run is: no new target, no new plateau, until resume"},
    {"resume", "go on after hold"},
    {"skip", "leave this plateau and go on with the next"},
    {"stop", "end the run now: cool down to a temperature that is safe to leave, and close"},
    {"park", "bring every source to its safe state at once, and end the run"},
    {"ready", "say that what the run asked for is done"},
};

struct RequestArguments {
  std::string run, why;
};

void make_request(Context& context, const std::string& word, const RequestArguments& arguments) {
  nlohmann::json request = {{"ask", word}, {"why", arguments.why}};
  if (!arguments.run.empty()) request["run"] = arguments.run;
  const auto answer = context.ask(request);
  if (!answer) return;
  const std::string state = words(raw_text_at(*answer, "state"));
  say(word + " is in the journal; the run is now: " + state + "\n");
}

}  // namespace

void add_requests(CLI::App& program, Context& context) {
  for (const Request& request : requests) {
    auto* command = program.add_subcommand(request.word, request.help);
    auto arguments = std::make_shared<RequestArguments>();
    command->add_option("RUN", arguments->run, "the run's id; may be left out where exactly one is open");
    command->add_option("--why", arguments->why, "the reason, for the journal")->type_name("TEXT");
    command->callback(
        [&context, arguments, word = std::string(request.word)] { make_request(context, word, *arguments); });
  }
}

}  // namespace nightwell::cli
