#include "daemon/daemon.hpp"

#include <spdlog/spdlog.h>
#include <unistd.h>

#include <algorithm>
#include <asio/post.hpp>
#include <chrono>
#include <ctime>
#include <set>

#include "daemon/records.hpp"
#include "drivers/registry.hpp"
#include "guardian/setup_file.hpp"
#include "plan/loader.hpp"

namespace nightwell::daemon {

namespace {

using Json = nlohmann::ordered_json;

// Long enough for the off ladder with a slow instrument, short enough for a service manager's patience.
constexpr std::chrono::seconds shut_down_patience{10};
constexpr std::chrono::milliseconds shut_down_look{50};
constexpr std::chrono::seconds hook_patience{10};  // once every run is closed

constexpr std::size_t ended_runs_kept = 20;

Json failure(const Error& error) {
  return {{"ok", false}, {"error", {{"code", name(error.code)}, {"text", error.text()}}}};
}

std::string text_of(const Json& request, const char* key) {
  const auto found = request.find(key);
  return found != request.end() && found->is_string() ? found->get<std::string>() : std::string();
}

std::string utc_now(const char* format) {
  const std::time_t now = std::chrono::system_clock::to_time_t(std::chrono::system_clock::now());
  std::tm parts{};
  gmtime_r(&now, &parts);
  char text[32] = {};
  std::strftime(text, sizeof text, format, &parts);
  return text;
}

// Of each source of the run in `folder`.
std::vector<guardian::Setup> kept_setups(const std::filesystem::path& folder) {
  std::vector<guardian::Setup> out;
  std::error_code none;
  for (const auto& entry : std::filesystem::directory_iterator(folder, none))
    if (entry.path().extension() == ".setup")
      if (auto setup = guardian::kept_setup(entry.path())) out.push_back(std::move(*setup));
  return out;
}

std::vector<Port> ports_of(const sequence::Plan& plan) {
  std::vector<Port> ports;
  for (const auto& scanner : plan.scanners) ports.push_back(scanner.port);
  for (const auto& source : plan.sources)
    if (!source.attended) ports.push_back(source.port);
  return ports;
}

}  // namespace

Daemon::Daemon(asio::io_context& io, RunStore store, DaemonSettings settings)
    : io_(io),
      store_(std::move(store)),
      settings_(std::move(settings)),
      registry_(drivers::registry()),
      timer_(io),
      hooks_(io, settings_.hooks,
             [this](const std::string& hook, const HookReport& report) { on_hook_ended(hook, report); }),
      left_heat_(io, settings_.guardian,
                 [this](const std::string& run, const std::string& text) { tell_not_off(run, text); }) {}

void Daemon::report_unclosed() {
  const auto runs = store_.list();
  std::map<std::string, std::vector<LeftSource>> left;
  std::set<std::string> later_ports;  // of the sources of later runs
  for (auto run = runs.rbegin(); run != runs.rend(); ++run) {
    const auto folder = store_.folder(run->run);
    // One that was parked may have been closed before its sources were proved off.
    const bool parked = run->ending == "parked";
    if (auto sources = !run->ending || parked ? sources_left(folder) : std::vector<LeftSource>();
        !run->ending || any_unproved(sources)) {
      for (auto& source : sources) take_over(*run, source, later_ports);
      left[run->run] = std::move(sources);
    }
    for (const auto& setup : kept_setups(folder)) later_ports.insert(port_name(setup.connection.port));
  }
  for (const auto& run : runs) {
    if (!left.contains(run.run)) continue;
    const auto& sources = left[run.run];
    const std::string text = run.ending ? unproved_text(sources) : unclosed_text(sources);
    spdlog::log(may_heat(sources) ? spdlog::level::critical : spdlog::level::warn, "run {} {} ({})", run.run, text,
                run.trouble.empty() ? run.journal.string() : run.trouble);
    if (run.ending) continue;  // the daemon that closed it has told of it; this one tells what it cannot prove
    if (!hooks_.wanted(HookEvent::unclosed, run.bench) || !store_.first_told(run.run)) continue;
    hooks_.tell(call_without_record(HookEvent::unclosed, run.run, run.bench, run.journal.string(),
                                    utc_now("%Y-%m-%dT%H:%M:%SZ"), text));
  }
}

// A source that was not seen off is switched off, unless a later run had it: that one's guardian saw it.
void Daemon::take_over(const journal::StoredRun& run, LeftSource& source, const std::set<std::string>& later_ports) {
  if (source.seen != LastSeen::not_off && source.seen != LastSeen::guarded) return;
  const auto folder = store_.folder(run.run);
  const auto setup = guardian::kept_setup(folder / ("guardian-" + source.name + ".log"));
  if (setup && later_ports.contains(port_name(setup->connection.port))) {
    source.seen = LastSeen::taken_over;
    return;
  }
  const auto taken = left_heat_.take(run.run, folder, source.name);
  source.relieved = taken.ok();
  if (!taken)
    spdlog::error("run {}: {} cannot be switched off from here: {}", run.run, source.name, taken.error().text());
}

void Daemon::tell_not_off(const std::string& run, const std::string& text) {
  for (const auto& stored : store_.list())
    if (stored.run == run && hooks_.wanted(HookEvent::not_confirmed, stored.bench))
      hooks_.tell(call_without_record(HookEvent::not_confirmed, run, stored.bench, stored.journal.string(),
                                      utc_now("%Y-%m-%dT%H:%M:%SZ"), text));
}

// Into the run's journal while it is open. What went wrong, and what no journal takes, is in the log.
void Daemon::on_hook_ended(const std::string& hook, const HookReport& report) {
  constexpr std::size_t kept_in_log = 4096;
  const auto run = runs_.find(report.call->run);
  const bool recorded = run != runs_.end() && run->second->hook_ended(hook, report);
  if (recorded && report.outcome == HookOutcome::done) return;
  std::string how(name(report.outcome));
  if (report.end.exit) how += " " + std::to_string(*report.end.exit);
  if (report.end.signal) how += " " + std::to_string(*report.end.signal);
  const std::string text = hook_said(report, kept_in_log);
  spdlog::log(report.outcome == HookOutcome::done ? spdlog::level::info : spdlog::level::warn,
              "{}: hook {}, {}: {}{}{}", report.call->run, hook, name(report.call->event), how,
              text.empty() ? "" : ": ", text);
}

void Daemon::answer(const Json& request, const std::string& who, const Reply& reply) {
  forget_old();
  const std::string ask = text_of(request, "ask");
  if (ask == "ping") return reply({{"ok", true}});
  if (ask == "start") return start(request, reply);
  if (ask == "status") return reply(status(request));
  if (ask == "runs") return reply(runs());
  if (const auto what = sequence::request(ask)) return person(request, *what, who, reply);
  reply(failure({Errc::bad_input, "reading a request", "no request is called '" + ask + "'", ""}));
}

// Gives an error, or nothing in `refusal` and the run.
Result<std::unique_ptr<Executor>> Daemon::make_run(const Json& request, Json& refusal) {
  const auto files_found = request.find("files");
  if (files_found == request.end()) return Error{Errc::bad_input, "starting a run", "no files came with it", ""};
  const auto files = plan::files_from_json(*files_found);
  if (!files) return files.error();
  const auto accept = request.find("accept_overdue");
  plan::LoadOptions options;
  options.accept_overdue = accept != request.end() && accept->is_boolean() && accept->get<bool>();
  options.today = utc_now("%Y-%m-%d");
  auto loaded = plan::load(*files, options);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&loaded)) {
    for (const auto& fault : *faults) refusal["error"]["faults"].push_back(plan::text(fault));
    return Error{Errc::bad_input, "checking the plan", std::to_string(faults->size()) + " faults", ""};
  }
  auto plan = std::get<sequence::Plan>(std::move(loaded));
  left_heat_.look();
  if (auto is_free = instruments_free(plan); !is_free) return is_free.error();

  auto run = store_.make(plan.profile, utc_now("%Y-%m-%dT%H:%M:%SZ"));
  if (!run) return run.error();
  ExecutorSettings settings;
  settings.run = *run;
  settings.folder = store_.folder(*run);
  settings.guardian = settings_.guardian;
  settings.speed = settings_.speed;
  if (settings_.second_folder) settings.second_folder = *settings_.second_folder / *run;
  settings.key = settings_.key;
  if (!settings_.hooks.empty()) settings.tell = [this](HookCall call) { hooks_.tell(std::move(call)); };
  return Executor::open(io_, std::move(plan), std::move(settings), registry_);
}

void Daemon::start(const Json& request, const Reply& reply) {
  Json refusal;
  auto made = make_run(request, refusal);
  if (!made) {
    refusal.update(failure(made.error()), true);
    return reply(refusal);
  }
  Executor& run = **made;
  const std::string id = run.run_id();
  runs_[id] = std::move(made).value();
  // Instruments are asked nothing before the plan is on disk.
  run.start([this, id, &run, reply](const Result<void>& begun) {
    if (!begun) {
      spdlog::error("{}: not started: {}", id, begun.error().text());
      reply(failure(begun.error()));
      asio::post(io_, [this, id] {
        runs_.erase(id);
        std::error_code not_empty;
        std::filesystem::remove(store_.folder(id), not_empty);
      });
      return;
    }
    spdlog::info("{}: started, journal {}", id, run.journal_path().string());
    reply({{"ok", true}, {"run", id}, {"journal", run.journal_path().string()}});
  });
}

Result<void> Daemon::instruments_free(const sequence::Plan& plan) const {
  std::map<std::string, std::string> in_use;  // port: by whom
  for (const auto& [id, run] : runs_)
    if (!run->idle())
      for (const auto& port : ports_of(run->plan()))
        in_use[port_name(port)] = run->done()
                                      ? "is still held by run " + id +
                                            ", which is over, but a guardian of it has yet to prove its source off: "
                                            "guardian-*.log in the run's folder says what it waits for"
                                      : "belongs to run " + id + " until it has ended";
  for (const auto& port : ports_of(plan)) {
    if (const auto run = left_heat_.run_at(port))
      return Error{
          Errc::refused, "starting a run",
          port_name(port) + " is still held: run " + *run +
              " ended without closing, and its source is not proved off yet; the daemon's log and guardian-*.log "
              "in the run's folder say why",
          ""};
    if (const auto found = in_use.find(port_name(port)); found != in_use.end())
      return Error{Errc::refused, "starting a run", found->first + " " + found->second, ""};
  }
  return {};
}

Json Daemon::status(const Json& request) const {
  Json out{{"ok", true},
           {"daemon",
            {{"version", NIGHTWELL_VERSION},
             {"pid", getpid()},
             {"speed", settings_.speed},
             {"state_folder", store_.state().string()}}}};
  out["runs"] = Json::array();
  const std::string wanted = text_of(request, "run");
  for (const auto& [id, run] : runs_)
    if (wanted == id || (wanted.empty() && !run->closed())) out["runs"].push_back(run->status());
  if (!wanted.empty() && out["runs"].empty()) return failure(not_open(wanted));
  return out;
}

Json Daemon::runs() const {
  Json out{{"ok", true}, {"runs", Json::array()}};
  for (const auto& stored : store_.list()) {
    const auto open = runs_.find(stored.run);
    std::string state = stored.ending.value_or("ended without closing");
    if (open != runs_.end()) state = sequence::name(open->second->phase());
    out["runs"].push_back({{"run", stored.run},
                           {"state", state},
                           {"profile", stored.profile},
                           {"bench", stored.bench},
                           {"job", stored.job},
                           {"opened_utc", stored.opened_utc},
                           {"ending", stored.ending ? Json(*stored.ending) : Json(nullptr)},
                           {"journal", stored.journal.string()}});
  }
  return out;
}

// A run that this daemon has not opened, or has let go of: over, or never there.
Error Daemon::not_open(const std::string& wanted) const {
  for (const auto& stored : store_.list())
    if (stored.run == wanted)
      return {Errc::not_found, "looking for a run",
              wanted + " is over (" + stored.ending.value_or("ended without closing") +
                  "): its journal is what there is, nightwell results " + wanted,
              ""};
  return {Errc::not_found, "looking for a run", "no run is called " + wanted + ": nightwell runs lists them", ""};
}

Result<Executor*> Daemon::open_run(const Json& request) const {
  const std::string wanted = text_of(request, "run");
  Executor* only = nullptr;
  int open = 0;
  for (const auto& [id, run] : runs_) {
    if (id == wanted) return run.get();
    if (run->done()) continue;
    only = run.get();
    ++open;
  }
  if (!wanted.empty()) return not_open(wanted);
  if (open == 1) return only;
  return Error{Errc::bad_input, "looking for a run", open == 0 ? "no run is open" : "several runs are open: name one",
               ""};
}

void Daemon::person(const Json& request, sequence::Request what, const std::string& who, const Reply& reply) {
  const auto found = open_run(request);
  if (!found) return reply(failure(found.error()));
  Executor& run = **found;
  run.ask(what, who, text_of(request, "why"), [&run, reply](const Result<void>& taken) {
    if (!taken) return reply(failure(taken.error()));
    reply({{"ok", true}, {"run", run.run_id()}, {"state", sequence::name(run.phase())}});
  });
}

// Ended runs stay for those who watch them, the newest few; the journal is their record.
void Daemon::forget_old() {
  std::vector<std::pair<std::string, std::string>> ended;  // opened, id
  for (const auto& [id, run] : runs_)
    if (run->idle()) ended.emplace_back(run->opened_utc(), id);
  if (ended.size() <= ended_runs_kept) return;
  std::sort(ended.begin(), ended.end());
  for (std::size_t i = 0; i < ended.size() - ended_runs_kept; ++i) runs_.erase(ended[i].second);
}

bool Daemon::all_idle() const {
  return std::all_of(runs_.begin(), runs_.end(), [](const auto& entry) { return entry.second->idle(); });
}

void Daemon::shut_down(const std::string& cause, std::function<void()> ended) {
  for (auto& [id, run] : runs_)
    if (!run->done()) run->fail(cause);
  wait_for_end(std::chrono::steady_clock::now() + shut_down_patience, std::move(ended));
}

void Daemon::wait_for_end(std::chrono::steady_clock::time_point latest, std::function<void()> ended) {
  const bool late = std::chrono::steady_clock::now() >= latest;
  if (late)
    for (auto& [id, run] : runs_)
      run->close_unproved(
          "the daemon ended before the park was proved; a guardian that still works goes on trying: look at the "
          "source");
  if (late || all_idle()) return wait_for_hooks(std::chrono::steady_clock::now() + hook_patience, std::move(ended));
  timer_.expires_after(shut_down_look);
  timer_.async_wait([this, latest, ended = std::move(ended)](const asio::error_code& error) {
    if (!error) wait_for_end(latest, ended);
  });
}

void Daemon::wait_for_hooks(std::chrono::steady_clock::time_point latest, std::function<void()> ended) {
  const bool late = std::chrono::steady_clock::now() >= latest;
  if (late) hooks_.give_up();
  if (hooks_.idle() || std::chrono::steady_clock::now() >= latest + 2 * hook_grace) return ended();
  timer_.expires_after(shut_down_look);
  timer_.async_wait([this, latest, ended = std::move(ended)](const asio::error_code& error) {
    if (!error) wait_for_hooks(latest, ended);
  });
}

}  // namespace nightwell::daemon
