#include "cli/relay_runs.hpp"

#include <chrono>
#include <vector>

#include "cli/look.hpp"
#include "cli/relay_access.hpp"
#include "cli/wording.hpp"
#include "remote/following.hpp"

namespace nightwell::cli {
namespace {

using remote::RelayConnection;
using remote::Trouble;

// All lines of an answer that ends, each handed over once.
class RunList {
 public:
  // True: that was the end, or what is wrong.
  bool take(const std::string& bytes) {
    buffer_ += bytes;
    for (std::size_t lf = buffer_.find('\n'); lf != std::string::npos; lf = buffer_.find('\n')) {
      const auto line = remote::parse_line(std::string_view(buffer_).substr(0, lf));
      buffer_.erase(0, lf + 1);
      if (!line) return wrong(line.error().detail);
      if (const auto* run = std::get_if<remote::RunLine>(&*line)) {
        runs.push_back(*run);
      } else if (const auto* error = std::get_if<remote::ErrorLine>(&*line)) {
        refused = "the relay says no (" + std::string(remote::name(error->code)) + "): " + error->text;
        return true;
      } else if (std::holds_alternative<remote::End>(*line)) {
        return true;
      } else if (!std::holds_alternative<remote::Idle>(*line) && !std::holds_alternative<remote::Hello>(*line)) {
        return wrong("a line that belongs to another request");
      }
    }
    return buffer_.size() > remote::longest_relay_line && wrong("a line longer than 4 KiB");
  }

  std::vector<remote::RunLine> runs;
  std::string refused;

 private:
  bool wrong(const std::string& what) {
    refused = "what came is no relay's answer: " + what;
    return true;
  }
  std::string buffer_;
};

void print_runs(const std::vector<remote::RunLine>& runs, bool as_json) {
  if (as_json) {
    auto out = nlohmann::ordered_json::array();
    for (const auto& run : runs)
      out.push_back({{"run", run.run},
                     {"opened", run.opened ? nlohmann::ordered_json(*run.opened) : nlohmann::ordered_json()},
                     {"records", run.records},
                     {"bytes", run.bytes},
                     {"closed", run.closed}});
    return say_json(out);
  }
  if (runs.empty()) return say("no runs yet\n");
  std::vector<std::vector<std::string>> rows = {{"RUN", "OPENED", "RECORDS", "BYTES", "CLOSED"}};
  for (const auto& run : runs)
    rows.push_back({run.run, run.opened ? utc_text(*run.opened) : "-", std::to_string(run.records),
                    std::to_string(run.bytes), run.closed ? "yes" : "no"});
  say(table(rows));
}

}  // namespace

void list_relay_runs(Context& context, const std::string& file, const std::string& at, bool as_json) {
  auto access = RelayAccess::open(file, at);
  if (!access) return context.fail(access.error());
  const auto give_up = [&](const std::string& text) {
    tell(shown(text));
    context.exit = Exit::refused;
  };
  auto made = access->connect();
  if (std::holds_alternative<RelayConnection::Left>(made)) return;
  if (const auto* trouble = std::get_if<Trouble>(&made)) return give_up(trouble->text);
  auto& connection = std::get<RelayConnection>(made);
  const auto sent = connection.send(remote::print(remote::Request(remote::RunsRequest{})), access->wait());
  if (std::holds_alternative<RelayConnection::Left>(sent)) return;
  if (const auto* trouble = std::get_if<Trouble>(&sent)) return give_up(trouble->text);
  RunList list;
  auto heard = std::chrono::steady_clock::now();
  for (;;) {
    const auto received = connection.receive(remote::longest_quiet, access->wait());
    if (std::holds_alternative<RelayConnection::Left>(received)) return;
    if (const auto* trouble = std::get_if<Trouble>(&received)) return give_up(trouble->text);
    const auto& bytes = std::get<std::string>(received);
    const auto now = std::chrono::steady_clock::now();
    if (bytes.empty() && now - heard >= remote::longest_quiet) return give_up("nothing came for 45 s");
    if (bytes.empty()) continue;
    heard = now;
    if (list.take(bytes)) break;
  }
  if (!list.refused.empty()) return give_up(list.refused);
  print_runs(list.runs, as_json);
}

}  // namespace nightwell::cli
