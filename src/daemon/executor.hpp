// One run carried through: feeds the sequencer from the instruments, writes the journal, carries out what the
// sequencer asks. Decides nothing by itself.
//
// Order, always: an event is in the journal before the sequencer sees it; what it decided, and the readings of a capture, are
// on disk before a source or a person is told or the next reading is asked for. What takes heat away does not wait for a disk:
// an output off and a park go to the guardian at once, and what still waited to be told to that source is never told.
// Thread: the io_context's one thread; the journal has its own.
//
// Lifetime: the owner keeps it until done() and the io_context runs no more of its coroutines (idle()).
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <deque>
#include <filesystem>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/alarm.hpp"
#include "daemon/hook_events.hpp"
#include "daemon/hook_queue.hpp"
#include "guardian/client.hpp"
#include "instrument/clock.hpp"
#include "instrument/registry.hpp"
#include "journal/journal.hpp"
#include "sequence/overdue.hpp"
#include "sequence/sequencer.hpp"

namespace nightwell::daemon {

struct ExecutorSettings {
  std::string run;                                     // the run's id
  std::filesystem::path folder;                        // exists; the journal is made in it
  std::filesystem::path guardian;                      // the guardian's program
  double speed = 1;                                    // of the run's clock
  std::optional<std::filesystem::path> second_folder;  // of this run; see journal.hpp
  std::shared_ptr<const journal::SigningKey> key;      // null: the journal is closed unsigned
  // Told of what hooks may want to know, once its record is on disk. May be empty.
  std::function<void(HookCall)> tell;
};

class Executor {
 public:
  using Told = std::function<void(const Result<void>&)>;

  // Composes the opening records. Errors: bad_input (a record too long).
  static Result<std::unique_ptr<Executor>> open(asio::io_context& io, sequence::Plan plan, ExecutorSettings settings,
                                                const instrument::Registry& registry);
  ~Executor();
  Executor(const Executor&) = delete;
  Executor& operator=(const Executor&) = delete;

  // Begins: once the opening is on disk, `told` is called and the instruments are opened; storage: it cannot be, and the run is
  // done before it began.
  void start(Told told);

  // A person's request; `told` is called at once or when the request is on disk. refused: not possible in this state (the text
  // says what is); storage: not in the journal.
  void ask(sequence::Request request, const std::string& who, const std::string& why, Told told);

  // Parks, for a reason of the daemon's own.
  void fail(const std::string& cause);

  // How a hook that was told ended: a record of the journal. False: it takes none any more.
  bool hook_ended(const std::string& hook, const HookReport& report);

  // The journal is closed and nothing more will be decided.
  [[nodiscard]] bool done() const { return ending_.has_value(); }
  // done, and the journal's last line is on disk, or no disk takes it.
  [[nodiscard]] bool closed() const { return done() && (journal_.ended() || storage_fault_.has_value()); }
  // done, and every guardian process has ended.
  [[nodiscard]] bool idle() const;

  // For a daemon that must leave before a park was proved: closes the journal, saying so.
  void close_unproved(const std::string& why);

  // STATUS of docs/control.md.
  [[nodiscard]] nlohmann::ordered_json status() const;

  [[nodiscard]] const sequence::Plan& plan() const { return plan_; }
  [[nodiscard]] const std::string& run_id() const { return settings_.run; }
  [[nodiscard]] std::filesystem::path journal_path() const { return settings_.folder / "journal.ndjson"; }
  [[nodiscard]] const std::string& opened_utc() const { return opened_utc_; }
  // As people are told: a run is finished or stopped once it is closed, so that its results are there.
  [[nodiscard]] sequence::Phase phase() const;

 private:
  struct Source {
    std::unique_ptr<guardian::Client> guardian;  // null for attended sources
    bool ready = false;
    std::optional<sequence::Command> granted;  // the last command that was carried out
    std::optional<guardian::Parked> parked;
  };
  struct SweepInProgress;
  // What hooks are told once its record is on disk; without the record where the disk takes none.
  struct Untold {
    HookCall call;
    std::string text;
    bool told = false;
  };
  // What a step asks for, waiting for its records to be on disk.
  struct Effects {
    std::vector<sequence::Action> actions;
    std::uint64_t commit = 0;  // the commit that it waits for; 0: for none of its own
  };

  Executor(asio::io_context& io, sequence::Plan plan, ExecutorSettings settings, const instrument::Registry& registry);

  Result<void> write_opening();
  asio::awaitable<void> open_instruments();
  asio::awaitable<Result<void>> open_scanners();
  [[nodiscard]] instrument::ConnectionSettings connection_to(const sequence::Scanner& scanner) const;
  [[nodiscard]] std::string wire_log_of(const std::string& instrument) const;
  void start_guardians();
  void opened_if_all_ready();

  void feed(std::variant<sequence::Opened, sequence::SweepFinished, sequence::SourceRead, sequence::SourceParked,
                         sequence::PersonAsked, sequence::Failed, sequence::Tick>
                what);
  void take(const sequence::Event& event);
  void perform(const sequence::Action& action);
  void perform_at_once(std::vector<sequence::Action>& actions);
  void perform_committed();
  void schedule();

  void on_report(std::size_t source, const guardian::Report& report);
  void renew(std::size_t source);
  void park_all(const std::string& cause);
  asio::awaitable<void> wait_for_word_of_park(std::string cause);
  void close_run(const sequence::Close& close);

  void start_sweep(const sequence::StartSweep& sweep);
  asio::awaitable<void> read_lane(std::shared_ptr<SweepInProgress> sweep, std::size_t scanner);
  void lane_done(const std::shared_ptr<SweepInProgress>& sweep);

  bool record(const std::string& kind, const nlohmann::ordered_json& fields);
  void tell_when_on_disk(HookEvent event, std::string text, std::uint64_t n, std::string line);
  void tell_without_record(HookEvent event, const std::string& text);
  void tell_all_now();
  void record_figures();
  void look_whether_overdue();
  std::uint64_t commit(std::function<void(const Result<void>&)> then);
  void storage_failed(const Error& error);
  void look_after_journal();
  asio::awaitable<void> look_after_journal_now_and_then();

  asio::io_context& io_;
  sequence::Plan plan_;
  ExecutorSettings settings_;
  const instrument::Registry& registry_;
  instrument::RunClock clock_;
  journal::Journal journal_;
  sequence::Run run_;
  std::vector<std::unique_ptr<instrument::Scanner>> scanners_;
  std::vector<Source> sources_;
  Alarm alarm_, overdue_alarm_, figures_alarm_;
  asio::steady_timer journal_timer_, park_timer_;
  std::deque<sequence::Event> waiting_;
  std::deque<Effects> effects_;
  std::uint64_t commits_asked_ = 0, commits_done_ = 0;
  bool begun_ = false;  // the plan is on disk and whoever started it knows
  bool stepping_ = false;
  bool closing_ = false;  // the closing record is written: nothing more is
  bool stalled_ = false;  // the disk hangs
  bool opened_ = false;
  bool scanners_open_ = false;
  std::optional<std::string> storage_fault_;
  std::optional<sequence::Close> ending_;
  sequence::Phase last_phase_ = sequence::Phase::opening;  // before the end
  sequence::OverdueSaid overdue_said_;
  std::vector<std::uint64_t> asked_again_;  // a scanner each, as last recorded
  EventsOfRun events_;
  std::deque<std::shared_ptr<Untold>> untold_;
  std::string opened_utc_;
  std::string why_;  // of the last phase change
  std::string waiting_for_;
  std::vector<sequence::SurveyFinding> findings_;
  int coroutines_ = 0;
};

}  // namespace nightwell::daemon
