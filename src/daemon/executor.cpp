#include "daemon/executor.hpp"

#include <spdlog/spdlog.h>
#include <unistd.h>

#include <algorithm>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/post.hpp>
#include <asio/redirect_error.hpp>
#include <asio/use_awaitable.hpp>
#include <fstream>

#include "daemon/planned_size.hpp"
#include "daemon/records.hpp"
#include "daemon/status.hpp"
#include "instrument/wire_recorder.hpp"

namespace nightwell::daemon {

namespace {

using Json = nlohmann::ordered_json;
using namespace sequence;  // NOLINT: the executor speaks the sequencer's language throughout

// A lane that met this many link errors in a row asks no more in this sweep: each would cost a whole deadline.
constexpr int link_errors_to_give_up = 2;

constexpr std::chrono::seconds look_every{1};

// Shorter than a command waits for its answer.
constexpr std::chrono::seconds longest_start{10};

// A disk that takes nothing for this long (real time) parks the run: heat goes on without a record until then.
constexpr std::chrono::seconds longest_stall{60};
constexpr std::chrono::seconds longest_silence_of_park{10};  // of a guardian, in real time

std::string first_line_of(const char* path) {
  std::ifstream file(path);
  std::string line;
  std::getline(file, line);
  return line;
}

std::string host_name() {
  char name[256] = {};
  return gethostname(name, sizeof name - 1) == 0 ? std::string(name) : std::string("unknown");
}

guardian::Limits limits_of(const sequence::Source& source) {
  guardian::Limits limits;
  limits.lowest_c = source.lowest_c;
  limits.highest_c = source.highest_c;
  limits.safe_c = source.safe_c;
  limits.absolute_highest_c = source.absolute_highest_c;
  limits.lease = source.lease;
  limits.poll = source.poll;
  limits.stale = source.stale;
  limits.heating_window = source.heating_window;
  limits.heating_gain_k = source.heating_gain_k;
  limits.readback_tolerance_k = source.readback_tolerance_k;
  return limits;
}

bool link_error(const Error& error) {
  return error.code == Errc::no_answer || error.code == Errc::port_gone || error.code == Errc::port_busy ||
         error.code == Errc::wrong_identity;
}

// What a record says, for those who are told without it.
std::string said_of(const Json& fields) {
  std::string out;
  for (const char* key : {"source", "cause", "why", "text"})
    if (const auto found = fields.find(key); found != fields.end() && found->is_string())
      if (const auto text = found->get<std::string>(); !text.empty()) out += (out.empty() ? "" : ": ") + text;
  return out;
}

}  // namespace

// The readings of a sweep as its lanes fill them, one lane a scanner.
struct Executor::SweepInProgress {
  StartSweep asked;
  Instant started;
  std::vector<ChannelReading> readings;
  std::size_t lanes_left = 0;
};

namespace {

bool is_end(sequence::Phase phase) {
  return phase == sequence::Phase::finished || phase == sequence::Phase::stopped;
}

journal::JournalSettings journal_settings(const Plan& plan, const ExecutorSettings& settings) {
  journal::JournalSettings out;
  out.file = settings.folder / "journal.ndjson";
  out.second_folder = settings.second_folder;
  out.planned_bytes = planned_bytes(plan);
  out.key = settings.key;
  return out;
}

// Whether this is on disk before anything is done about it. Readings that only watch may be on their way for a second.
bool must_be_kept(const Event& event, const std::optional<StartSweep>& asked) {
  if (std::holds_alternative<SweepFinished>(event.what)) return asked && asked->purpose == SweepPurpose::capture;
  return !std::holds_alternative<Tick>(event.what) && !std::holds_alternative<SourceRead>(event.what);
}

// What takes heat away. Nothing else may happen before its record is on disk.
bool takes_heat_away(const Action& action) {
  const auto* command = std::get_if<Command>(&action);
  return command ? !command->output : std::holds_alternative<ParkAll>(action);
}

}  // namespace

Result<std::unique_ptr<Executor>> Executor::open(asio::io_context& io, Plan plan, ExecutorSettings settings,
                                                 const instrument::Registry& registry) {
  std::unique_ptr<Executor> executor(new Executor(io, std::move(plan), std::move(settings), registry));
  if (auto written = executor->write_opening(); !written) return written.error();
  return executor;
}

Executor::Executor(asio::io_context& io, Plan plan, ExecutorSettings settings, const instrument::Registry& registry)
    : io_(io),
      plan_(std::move(plan)),
      settings_(std::move(settings)),
      registry_(registry),
      clock_(io, settings_.speed),
      journal_(journal_settings(plan_, settings_)),
      run_(begin(plan_)),
      sources_(plan_.sources.size()),
      alarm_(io, clock_, [this] { feed(Tick{}); }),
      overdue_alarm_(io, clock_, [this] { look_whether_overdue(); }),
      figures_alarm_(io, clock_, [this] { record_figures(); }),
      journal_timer_(io),
      park_timer_(io) {}

Executor::~Executor() = default;

bool Executor::idle() const {
  if (!done() || coroutines_ > 0 || commits_done_ < commits_asked_ || !journal_.ended()) return false;
  for (const auto& source : sources_)
    if (source.guardian && !source.guardian->gone()) return false;
  return true;
}

// ---- opening ------------------------------------------------------------------------------------------------------

Result<void> Executor::write_opening() {
  opened_utc_ = clock_.utc();
  const OpeningFacts facts{settings_.run, host_name(), first_line_of("/proc/sys/kernel/random/boot_id"),
                           settings_.speed};
  for (const auto& r : opening_records(plan_, facts)) {
    const journal::Stamp stamp{clock_.utc(), clock_.now()};
    if (auto written = journal_.append(r.kind, r.fields, stamp); !written) return written.error();
  }
  return {};
}

void Executor::start(Told told) {
  const auto asked = std::chrono::steady_clock::now();
  commit([this, asked, told = std::move(told)](const Result<void>& opening) {
    Result<void> written = opening;
    // Whoever asked has given up waiting and believes that nothing runs.
    if (written && std::chrono::steady_clock::now() - asked > longest_start) {
      written = Error{Errc::storage, "starting a run", "the disk took too long to take the plan: nothing was started",
                      journal_path().string()};
      record("closing", {{"ending", name(Ending::stopped)}, {"why", written.error().text()}});
    }
    if (written) {
      begun_ = true;
      figures_alarm_.set(clock_.now() + figures_every);
      asio::co_spawn(io_, open_instruments(), asio::detached);
      asio::co_spawn(io_, look_after_journal_now_and_then(), asio::detached);
    } else {
      storage_fault_ = written.error().text();
      close_run({opening ? Ending::stopped : Ending::parked, *storage_fault_});
    }
    told(written);
  });
}

asio::awaitable<void> Executor::open_instruments() {
  ++coroutines_;
  const auto opened = co_await open_scanners();
  if (!opened) {
    feed(Failed{opened.error().text()});
  } else {
    scanners_open_ = true;
    start_guardians();
    opened_if_all_ready();
  }
  --coroutines_;
}

asio::awaitable<Result<void>> Executor::open_scanners() {
  for (const auto& scanner : plan_.scanners) {
    const auto make = registry_.scanners.find(scanner.driver);
    if (make == registry_.scanners.end())
      co_return Error{Errc::not_found, "opening scanner " + scanner.name, "no driver is named " + scanner.driver, ""};
    auto made = make->second(io_, connection_to(scanner));
    if (!made) co_return made.error();
    scanners_.push_back(std::move(made).value());
    const auto identity = co_await scanners_.back()->identify();
    if (!identity) co_return identity.error();
    record("identity", {{"instrument", scanner.name}, {"text", identity->text}, {"old_errors", identity->old_errors}});
  }
  for (const auto& channel : plan_.channels) {
    instrument::ChannelSetup setup;
    setup.address = channel.address;
    setup.measures = channel.measures;
    const auto configured = co_await scanners_[channel.scanner]->configure(setup);
    if (!configured) co_return configured.error();
  }
  co_return Result<void>{};
}

instrument::ConnectionSettings Executor::connection_to(const sequence::Scanner& scanner) const {
  instrument::ConnectionSettings settings;
  settings.name = scanner.name;
  settings.driver = scanner.driver;
  settings.port = scanner.port;
  settings.reply = scanner.reply;
  settings.identity = scanner.identity;
  settings.dialect = scanner.dialect.json;
  settings.program = scanner.program;
  settings.note = [run = settings_.run](const std::string& text) { spdlog::info("{}: {}", run, text); };
  if (scanner.wire_log) settings.wire_log = wire_log_of(scanner.name);
  settings.recorder = instrument::make_recorder(settings);
  return settings;
}

std::string Executor::wire_log_of(const std::string& instrument) const {
  return (settings_.folder / "wire" / (instrument + ".log")).string();
}

void Executor::start_guardians() {
  for (std::size_t s = 0; s < plan_.sources.size(); ++s) {
    const auto& source = plan_.sources[s];
    if (source.attended) continue;
    guardian::Settings settings;
    settings.connection.name = source.name;
    settings.connection.driver = source.driver;
    settings.connection.port = source.port;
    settings.connection.reply = source.reply;
    settings.connection.identity = source.identity;
    settings.connection.dialect = source.dialect.json;
    if (source.wire_log) settings.connection.wire_log = wire_log_of(source.name);
    settings.connection.program = source.program;
    settings.limits = limits_of(source);
    settings.speed = settings_.speed;
    settings.program = settings_.guardian;
    settings.log = settings_.folder / ("guardian-" + source.name + ".log");
    auto client = guardian::Client::start(io_, std::move(settings),
                                          [this, s](const guardian::Report& report) { on_report(s, report); });
    if (!client) {
      feed(Failed{"the guardian of " + source.name + " did not start: " + client.error().text()});
      return;
    }
    sources_[s].guardian = std::move(client).value();
  }
}

void Executor::opened_if_all_ready() {
  if (opened_ || !scanners_open_) return;
  for (std::size_t s = 0; s < sources_.size(); ++s)
    if (!plan_.sources[s].attended && !sources_[s].ready) return;
  opened_ = true;
  feed(Opened{});
}

// ---- events -------------------------------------------------------------------------------------------------------

void Executor::feed(std::variant<Opened, SweepFinished, SourceRead, SourceParked, PersonAsked, Failed, Tick> what) {
  if (done() || closing_) return;
  waiting_.push_back(Event{clock_.now(), std::move(what)});
  if (stepping_) return;  // an effect of a step caused this: it is taken next, in order
  stepping_ = true;
  while (!waiting_.empty() && !done() && !closing_) {
    const Event event = std::move(waiting_.front());
    waiting_.pop_front();
    take(event);
  }
  stepping_ = false;
  schedule();
}

void Executor::take(const Event& event) {
  const bool tick = std::holds_alternative<Tick>(event.what);
  // What was asked of a sweep: the run still knows it before the step.
  const RecordText text = event_record(plan_, event, run_.sweeping);
  bool wait = must_be_kept(event, run_.sweeping);
  if (!tick) record(text.kind, text.fields);
  Stepped stepped = step(plan_, std::move(run_), event);
  run_ = std::move(stepped.run);
  if (!is_end(sequence::phase(run_))) last_phase_ = sequence::phase(run_);
  if (tick && !stepped.actions.empty()) record(text.kind, text.fields);

  for (const auto& action : stepped.actions) {
    if (std::holds_alternative<Close>(action)) record_figures();
    if (const auto added = action_record(plan_, action)) record(added->kind, added->fields);
    closing_ = closing_ || std::holds_alternative<Close>(action);
    wait = wait || !std::holds_alternative<StartSweep>(action);
  }
  perform_at_once(stepped.actions);
  if (stepped.actions.empty()) return;
  Effects effects{std::move(stepped.actions), 0};
  if (wait)
    effects.commit = commit([this](const Result<void>& written) {
      if (!written) storage_failed(written.error());
      perform_committed();
    });
  effects_.push_back(std::move(effects));
  perform_committed();
}

// What takes heat away goes first, and undoes what still waits to be told.
void Executor::perform_at_once(std::vector<Action>& actions) {
  for (const auto& action : actions) {
    if (!takes_heat_away(action)) continue;
    const auto* off = std::get_if<Command>(&action);
    for (auto& waiting : effects_) {
      const auto overtaken = [&](const Action& other) {
        const auto* command = std::get_if<Command>(&other);
        return command && (!off || command->source == off->source);
      };
      waiting.actions.erase(std::remove_if(waiting.actions.begin(), waiting.actions.end(), overtaken),
                            waiting.actions.end());
    }
    perform(action);
  }
  actions.erase(std::remove_if(actions.begin(), actions.end(), takes_heat_away), actions.end());
}

// In the order in which they were asked for, as far as their records are on disk.
void Executor::perform_committed() {
  while (!effects_.empty() && effects_.front().commit <= commits_done_ && !done()) {
    const Effects effects = std::move(effects_.front());
    effects_.pop_front();
    for (const auto& action : effects.actions) perform(action);
  }
}

void Executor::perform(const Action& action) {
  if (const auto* sweep = std::get_if<StartSweep>(&action)) {
    start_sweep(*sweep);
  } else if (const auto* command = std::get_if<Command>(&action)) {
    sources_[command->source].granted = *command;
    renew(command->source);
  } else if (const auto* park = std::get_if<ParkAll>(&action)) {
    park_all(park->cause);
  } else if (const auto* ask = std::get_if<AskPerson>(&action)) {
    waiting_for_ = ask->text;
    spdlog::warn("{}: {}", settings_.run, ask->text);
  } else if (const auto* changed = std::get_if<PhaseChanged>(&action)) {
    why_ = changed->why;
    if (changed->phase != Phase::waiting) waiting_for_.clear();
    if (!terminal(run_)) spdlog::info("{}: {} ({})", settings_.run, name(changed->phase), changed->why);
  } else if (const auto* survey = std::get_if<SurveyDone>(&action)) {
    findings_ = survey->findings;
  } else if (const auto* close = std::get_if<Close>(&action)) {
    close_run(*close);
  }
}

void Executor::schedule() {
  if (done()) return;
  if (const auto wake = wake_at(plan_, run_)) alarm_.set(*wake);
  if (const auto late = overdue_at(plan_, run_, overdue_said_))
    overdue_alarm_.set(*late);
  else
    overdue_alarm_.cancel();
}

void Executor::look_whether_overdue() {
  if (done() || closing_) return;
  if (const auto late = overdue(plan_, run_, overdue_said_, clock_.now())) {
    const RecordText text = overdue_record(*late);
    record(text.kind, text.fields);
    spdlog::warn("{}: overdue: {}", settings_.run, late->text);
  }
  schedule();
}

void Executor::ask(Request request, const std::string& who, const std::string& why, Told told) {
  if (done() || closing_ || !allows(run_, request))
    return told(Error{Errc::refused, std::string(name(request)),
                      "not possible while the run is " + std::string(name(sequence::phase(run_))), settings_.run});
  feed(PersonAsked{request, who, why});
  commit([this, request, told = std::move(told)](const Result<void>& written) {
    if (written && !storage_fault_) return told({});
    told(Error{Errc::storage, std::string(name(request)),
               storage_fault_.value_or(written ? "" : written.error().text()), settings_.run});
  });
}

void Executor::fail(const std::string& cause) {
  feed(Failed{cause});
}

// ---- sources ------------------------------------------------------------------------------------------------------

void Executor::on_report(std::size_t s, const guardian::Report& report) {
  Source& source = sources_[s];
  const std::string& source_name = plan_.sources[s].name;
  if (const auto* ready = std::get_if<guardian::Ready>(&report)) {
    source.ready = true;
    record("identity", {{"instrument", source_name}, {"text", ready->identity.text}});
    feed(SourceRead{s, ready->status.target_c, ready->status.temperature_c, ready->status.output,
                    ready->status.lease_left_s});
    opened_if_all_ready();
  } else if (const auto* status = std::get_if<guardian::Status>(&report)) {
    feed(SourceRead{s, status->target_c, status->temperature_c, status->output, status->lease_left_s});
    renew(s);
  } else if (const auto* parked = std::get_if<guardian::Parked>(&report)) {
    // The first report says that the park begins; from the second on an unproved one is an alarm.
    if (!parked->confirmed && source.parked)
      spdlog::error("{}: {} is not proved to be off: {}", settings_.run, source_name, parked->text);
    source.parked = *parked;
    feed(SourceParked{s, parked->confirmed, parked->cause, parked->text, false});
  } else if (const auto* fault = std::get_if<guardian::Fault>(&report)) {
    record("fault", {{"instrument", source_name}, {"code", name(fault->error.code)}, {"text", fault->error.text()}});
    if (!source.ready && !opened_) feed(Failed{"heat source " + source_name + ": " + fault->error.text()});
  } else if (const auto* refused = std::get_if<guardian::Refused>(&report)) {
    feed(Failed{"the guardian of " + source_name + " refused: " + refused->text});
  } else if (const auto* lost = std::get_if<guardian::Lost>(&report)) {
    const std::string cause = "the guardian of " + source_name + " " + lost->text;
    spdlog::critical("{}: {}", settings_.run, cause);
    feed(Failed{cause});
  }
}

// Grants or renews the heat lease for the last command that is on disk. A run that has ended or parked
// renews nothing.
void Executor::renew(std::size_t s) {
  Source& source = sources_[s];
  if (!source.granted || !run_.sources[s].told || !source.guardian || source.parked || storage_fault_ || done() ||
      std::holds_alternative<Parked>(run_.state))
    return;
  source.guardian->lease(source.granted->target_c, source.granted->output, plan_.sources[s].absolute_highest_c);
}

void Executor::park_all(const std::string& cause) {
  for (std::size_t s = 0; s < sources_.size(); ++s) {
    Source& source = sources_[s];
    if (plan_.sources[s].attended) continue;
    if (source.guardian && (source.ready || source.granted)) {
      source.guardian->park(cause);
      continue;
    }
    // Its guardian never saw it: there is nothing that this run could have switched on.
    if (source.guardian) source.guardian->close();
    feed(SourceParked{s, false, cause, "this run never got as far as telling it anything", true});
  }
  asio::co_spawn(io_, wait_for_word_of_park(cause), asio::detached);
}

// A guardian says at once that it begins to park. Of one that says nothing (frozen, or gone with none to relieve it) the run itself must
// say that its source is not proved off, as often as a guardian would before somebody is told.
asio::awaitable<void> Executor::wait_for_word_of_park(std::string cause) {
  ++coroutines_;
  for (int said = 0; said < 2 && !done(); ++said) {
    park_timer_.expires_after(longest_silence_of_park);
    asio::error_code ignored;
    co_await park_timer_.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
    for (std::size_t s = 0; s < sources_.size() && !done(); ++s) {
      const Source& source = sources_[s];
      if (!source.guardian || source.parked || !(source.ready || source.granted)) continue;
      feed(SourceParked{s, false, cause, "its guardian has not said a word of it", false});
    }
  }
  --coroutines_;
}

void Executor::close_run(const Close& close) {
  ending_ = close;
  alarm_.cancel();
  overdue_alarm_.cancel();
  figures_alarm_.cancel();
  journal_timer_.cancel();
  park_timer_.cancel();
  effects_.clear();
  journal_.end();
  for (auto& source : sources_)
    if (source.guardian) source.guardian->close();
  for (auto& scanner : scanners_) scanner->close();
  spdlog::info("{}: {} ({})", settings_.run, name(close.ending), close.why);
}

void Executor::close_unproved(const std::string& why) {
  if (done()) return;
  const Close close{Ending::parked, why};
  for (std::size_t s = 0; s < sources_.size(); ++s) {
    const Source& source = sources_[s];
    const bool proved = source.parked && source.parked->confirmed;
    if (source.guardian && !proved && (source.ready || source.granted) && events_.first_told(plan_.sources[s].name))
      tell_without_record(HookEvent::not_confirmed, plan_.sources[s].name + ": " + why);
  }
  record_figures();
  record("closing", {{"ending", name(close.ending)}, {"why", close.why}});
  closing_ = true;
  tell_all_now();  // nobody will be there to do it later
  close_run(close);
}

// ---- sweeps -------------------------------------------------------------------------------------------------------

void Executor::start_sweep(const StartSweep& asked) {
  auto sweep = std::make_shared<SweepInProgress>();
  sweep->asked = asked;
  sweep->started = clock_.now();
  sweep->readings.resize(asked.visits.size());
  std::vector<std::size_t> lanes;
  for (const std::size_t channel : asked.visits) {
    const std::size_t scanner = plan_.channels[channel].scanner;
    if (std::find(lanes.begin(), lanes.end(), scanner) == lanes.end()) lanes.push_back(scanner);
  }
  sweep->lanes_left = lanes.size();
  for (const std::size_t scanner : lanes) asio::co_spawn(io_, read_lane(sweep, scanner), asio::detached);
}

asio::awaitable<void> Executor::read_lane(std::shared_ptr<SweepInProgress> sweep, std::size_t scanner) {
  ++coroutines_;
  int link_errors = 0;
  std::string last_error;
  for (std::size_t i = 0; i < sweep->asked.visits.size(); ++i) {
    const auto& channel = plan_.channels[sweep->asked.visits[i]];
    if (channel.scanner != scanner) continue;
    ChannelReading& reading = sweep->readings[i];
    reading.channel = sweep->asked.visits[i];
    reading.at = clock_.now();
    if (done() || link_errors >= link_errors_to_give_up) {
      reading.fault =
          ReadingFault{Errc::port_gone, "not asked: " + (done() ? std::string("the run ended") : last_error)};
      continue;
    }
    instrument::ChannelSetup setup;
    setup.address = channel.address;
    setup.measures = channel.measures;
    const Instant asked_at = clock_.now();
    const auto got = co_await scanners_[scanner]->read(setup);
    reading.at = asked_at + (clock_.now() - asked_at) / 2;
    if (got) {
      link_errors = 0;
      reading.raw = got->value;
      if (got->odd) reading.odd_text = got->text;
    } else {
      last_error = got.error().text();
      reading.fault = ReadingFault{got.error().code, last_error};
      link_errors = link_error(got.error()) ? link_errors + 1 : 0;
    }
  }
  --coroutines_;
  lane_done(sweep);
}

void Executor::lane_done(const std::shared_ptr<SweepInProgress>& sweep) {
  if (--sweep->lanes_left > 0) return;
  feed(SweepFinished{sweep->asked.sweep, sweep->started, std::move(sweep->readings)});
}

// ---- journal ------------------------------------------------------------------------------------------------------

bool Executor::record(const std::string& kind, const Json& fields) {
  if (closing_) return false;
  std::optional<HookEvent> event;
  if (begun_ && settings_.tell) event = events_.of(kind, fields);
  std::string line;
  Result<std::uint64_t> written = Error{Errc::storage, "", storage_fault_.value_or(""), ""};
  if (!storage_fault_) {
    written = journal_.append(kind, fields, {clock_.utc(), clock_.now()}, event ? &line : nullptr);
    if (!written) storage_failed(written.error());
  }
  if (!event) return written.ok();
  if (written && !stalled_)
    tell_when_on_disk(*event, said_of(fields), *written, std::move(line));
  else
    tell_without_record(*event, said_of(fields));
  return written.ok();
}

void Executor::tell_when_on_disk(HookEvent event, std::string text, std::uint64_t n, std::string line) {
  std::erase_if(untold_, [](const auto& one) { return one->told; });
  untold_.push_back(std::make_shared<Untold>(
      Untold{{event, settings_.run, plan_.bench, journal_path().string(), n, std::move(line)}, std::move(text)}));
  commit([this, one = untold_.back()](const Result<void>& written) {
    if (std::exchange(one->told, true)) return;
    if (written)
      settings_.tell(one->call);
    else
      tell_without_record(one->call.event, one->text);
  });
}

// What waits for a disk that may take nothing any more, or not in time.
void Executor::tell_all_now() {
  for (const auto& one : untold_)
    if (!std::exchange(one->told, true)) tell_without_record(one->call.event, one->text);
}

// Of a disk that takes nothing no record can speak: the line has no n and no prev, and is nowhere else.
void Executor::tell_without_record(HookEvent event, const std::string& text) {
  if (!settings_.tell) return;
  settings_.tell(call_without_record(event, settings_.run, plan_.bench, journal_path().string(), clock_.utc(), text));
}

bool Executor::hook_ended(const std::string& hook, const HookReport& report) {
  const RecordText text = hook_record(hook, report);
  return !done() && record(text.kind, text.fields);
}

// Of the time since the last such record.
void Executor::record_figures() {
  if (done() || closing_ || !begun_) return;
  std::vector<AskedAgain> again;
  asked_again_.resize(plan_.scanners.size());
  for (std::size_t s = 0; s < plan_.scanners.size(); ++s) {
    const std::uint64_t until_now = s < scanners_.size() ? scanners_[s]->asked_again() : 0;
    again.push_back({plan_.scanners[s].name, until_now - asked_again_[s]});
    asked_again_[s] = until_now;
  }
  const RecordText text = disk_record(journal_.take_figures(), again);
  record(text.kind, text.fields);
  figures_alarm_.set(clock_.now() + figures_every);
}

// `then` is called, in this thread, when everything recorded so far is on disk, or with why it cannot be.
std::uint64_t Executor::commit(std::function<void(const Result<void>&)> then) {
  const std::uint64_t number = ++commits_asked_;
  journal_.commit([this, number, then = std::move(then)](const Result<void>& written) {
    asio::post(io_, [this, number, then, written] {
      commits_done_ = number;
      then(written);
      look_after_journal();
    });
  });
  return number;
}

// No record, no heat. The guardians park first; the sequencer learns it as the next event.
void Executor::storage_failed(const Error& error) {
  if (storage_fault_ || done()) return;
  storage_fault_ = error.text();
  spdlog::critical("{}: the journal cannot be written: {}; parking", settings_.run, error.text());
  for (auto& source : sources_)
    if (source.guardian) source.guardian->park("the journal cannot be written");
  tell_without_record(HookEvent::storage, "the journal cannot be written: " + error.text() + "; parking");
  asio::post(io_, [this, text = error.text()] { feed(Failed{"the journal cannot be written: " + text}); });
}

// What the disk did, as records and in the log; parks where it is full or hangs.
void Executor::look_after_journal() {
  using What = journal::JournalNews::What;
  for (const auto& news : journal_.take_news()) {
    spdlog::warn("{}: {}", settings_.run, news.text);
    record("storage", {{"event", journal::name(news.what)}, {"text", news.text}});
    if (news.what == What::space_out) feed(Failed{news.text});
  }
  const bool stalled = journal_.waiting() > longest_stall;
  if (stalled && !std::exchange(stalled_, true)) {
    spdlog::critical("{}: the disk has taken no record for {} s; parking", settings_.run, longest_stall.count());
    const std::string text = "the disk has taken no record for " + std::to_string(longest_stall.count()) + " s";
    tell_without_record(HookEvent::storage, text + "; parking");
    tell_all_now();
    feed(Failed{text});
  }
  stalled_ = stalled;
}

asio::awaitable<void> Executor::look_after_journal_now_and_then() {
  ++coroutines_;
  while (!done()) {
    look_after_journal();
    journal_timer_.expires_after(look_every);
    asio::error_code ignored;
    co_await journal_timer_.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  }
  --coroutines_;
}

sequence::Phase Executor::phase() const {
  const auto phase = sequence::phase(run_);
  return is_end(phase) && !closed() ? last_phase_ : phase;
}

Json Executor::status() const {
  StatusFacts facts;
  facts.run_id = settings_.run;
  facts.journal = journal_path().string();
  facts.opened_utc = opened_utc_;
  facts.utc = clock_.utc();
  facts.now = clock_.now();
  facts.speed = settings_.speed;
  facts.why = why_;
  facts.waiting_for = waiting_for_;
  facts.findings = findings_;
  if (closed()) facts.ending = ending_->ending;
  for (const auto& source : sources_) facts.parked.push_back(source.parked);
  const auto left = progress(plan_, run_, facts.now);
  facts.expected_finish_utc = clock_.utc_at(facts.now + left.left);
  auto out = status_json(plan_, run_, facts);
  out["state"] = name(phase());
  return out;
}

}  // namespace nightwell::daemon
