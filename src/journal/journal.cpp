#include "journal/journal.hpp"

#include <algorithm>
#include <condition_variable>
#include <deque>
#include <mutex>
#include <nlohmann/json.hpp>
#include <thread>

#include "journal/copy.hpp"
#include "journal/segment.hpp"

namespace nightwell::journal {

namespace {

using SteadyClock = std::chrono::steady_clock;

constexpr int most_files = 9;
constexpr std::chrono::seconds slow_sync{5}, copy_patience{1};

// Written and not synced for longer than a group should be: nobody waits for it, and it must not grow.
constexpr std::uint64_t sync_at_bytes = most_unsynced_bytes / 4;
static_assert(sync_at_bytes + 2 * (max_line_bytes + 1) < most_unsynced_bytes);

// The opening, with its plan and cards, is larger than all that follows: the room it took is not kept through the night.
constexpr std::size_t most_room_kept = 16 * 1024;

void empty(std::string& lines) {
  lines.clear();
  if (lines.capacity() > most_room_kept) lines.shrink_to_fit();
}

std::string one_decimal(SteadyClock::duration length) {
  const auto tenths = std::chrono::duration_cast<std::chrono::milliseconds>(length).count() / 100;
  return std::to_string(tenths / 10) + "." + std::to_string(tenths % 10);
}

}  // namespace

std::string_view name(JournalNews::What what) {
  switch (what) {
    case JournalNews::What::moved: return "moved";
    case JournalNews::What::space_low: return "space_low";
    case JournalNews::What::space_out: return "space_out";
    case JournalNews::What::slow: return "slow";
    case JournalNews::What::unreserved: return "unreserved";
    case JournalNews::What::copy_behind: return "copy_behind";
    case JournalNews::What::copy_caught_up: return "copy_caught_up";
  }
  return "unknown";
}

std::filesystem::path continuation_name(const std::filesystem::path& file, int number) {
  return file.parent_path() / (file.stem().string() + "-" + std::to_string(number) + file.extension().string());
}

// What the caller's thread and the journal's thread share.
struct Journal::Shared {
  explicit Shared(JournalSettings s, std::shared_ptr<FileSystem> f) : settings(std::move(s)), files(std::move(f)) {}

  const JournalSettings settings;
  const std::shared_ptr<FileSystem> files;

  std::mutex mutex;
  std::condition_variable changed;
  // All below is guarded by the mutex.
  std::string queue;  // lines that the thread has not taken
  std::vector<Waiter> waiters;
  std::optional<SteadyClock::time_point> queued_since,
      taken_since;                // oldest line in the queue; with the thread, unsynced
  std::uint64_t taken_bytes = 0;  // with the thread, unsynced
  std::uint64_t queued_lines = 0, taken_lines = 0;
  JournalFigures figures;
  std::vector<std::shared_ptr<Copy>> copies;  // as the thread has them
  std::vector<JournalNews> news;
  std::optional<Error> lost;
  bool ending = false, ended = false;
  bool abandoned = false;  // the owner is gone: call nobody
};

// The journal's thread: owns the files.
class Journal::Thread {
 public:
  explicit Thread(std::shared_ptr<Shared> shared) : shared_(std::move(shared)) {}

  void operator()() {
    if (auto failed = open_first()) lose(*failed);
    while (take()) {
      if (!work_.empty()) write();
      if (sync_due()) sync();
    }
    if (segment_) segment_->give_back();
    segment_.reset();
    for (const auto& copy : copies_) copy->finish();
    for (const auto& copy : copies_) copy->wait(copy_patience);
    const std::lock_guard lock(shared_->mutex);
    shared_->ended = true;
    shared_->changed.notify_all();
  }

 private:
  [[nodiscard]] const JournalSettings& settings() const { return shared_->settings; }

  std::optional<Error> open_first() {
    auto made = Segment::create(settings().file, shared_->files);
    if (!made) return made.error();
    segment_.emplace(std::move(made).value());
    const auto room = segment_->reserve(settings().planned_bytes + closing_room_bytes);
    if (!room) {
      segment_.reset();
      shared_->files->remove(settings().file);
      return Error{Errc::storage, "reserving room for the night", room.error().detail + "; make room on the disk first",
                   settings().file.string()};
    }
    note_reservation(*room, settings().planned_bytes + closing_room_bytes);
    start_copy();
    return std::nullopt;
  }

  // A file in the second folder has no copy: there is no third one.
  [[nodiscard]] bool copying() const {
    return settings().second_folder && segment_->path().parent_path() != *settings().second_folder;
  }

  void start_copy() {
    if (!copying()) return;
    copies_.push_back(Copy::start(segment_->path(), *settings().second_folder / segment_->path().filename(),
                                  [told = std::weak_ptr<Shared>(shared_)](Copy::News news, std::string text) {
                                    const auto shared = told.lock();
                                    if (!shared) return;  // the journal is gone, and its copy may go on
                                    const auto what = news == Copy::News::behind ? JournalNews::What::copy_behind
                                                                                 : JournalNews::What::copy_caught_up;
                                    const std::lock_guard lock(shared->mutex);
                                    shared->news.push_back({what, std::move(text)});
                                  }));
    const std::lock_guard lock(shared_->mutex);
    shared_->copies.push_back(copies_.back());
  }

  // Waits for work; false once the end has come and nothing is left.
  bool take() {
    std::unique_lock lock(shared_->mutex);
    const auto due = [&] { return !shared_->queue.empty() || !shared_->waiters.empty() || shared_->ending; };
    if (unsynced_.empty())
      shared_->changed.wait(lock, due);
    else
      shared_->changed.wait_until(lock, *shared_->taken_since + settings().latest_sync, due);
    empty(work_);
    std::swap(work_, shared_->queue);
    for (auto& waiter : shared_->waiters) waiters_.push_back(std::move(waiter));
    shared_->waiters.clear();
    if (!work_.empty() && !shared_->taken_since) shared_->taken_since = shared_->queued_since;
    shared_->queued_since.reset();
    if (lost_) {
      work_.clear();
      shared_->taken_since.reset();
      shared_->queued_lines = 0;
    }
    shared_->taken_bytes += work_.size();
    shared_->taken_lines += std::exchange(shared_->queued_lines, 0);
    ending_ = shared_->ending;
    oldest_ = shared_->taken_since;
    return !ending_ || !work_.empty() || !waiters_.empty() || !unsynced_.empty();
  }

  [[nodiscard]] bool sync_due() const {
    if (!waiters_.empty() || ending_ || unsynced_.size() >= sync_at_bytes) return true;
    return !unsynced_.empty() && SteadyClock::now() >= *oldest_ + settings().latest_sync;
  }

  void write() {
    // A group larger than what a power cut may take is synced in parts.
    for (std::size_t at = 0; at < work_.size() && !lost_;) {
      std::size_t end = work_.size();
      if (end - at > sync_at_bytes) end = work_.find('\n', at + sync_at_bytes) + 1;
      const std::string_view part = std::string_view(work_).substr(at, end - at);
      unsynced_ += part;
      if (auto written = segment_->append(part); !written) move(written.error());
      at = end;
      if (at < work_.size() && unsynced_.size() >= sync_at_bytes) sync_segment();
    }
    watch_space();
  }

  void sync() {
    if (!lost_ && !unsynced_.empty()) sync_segment();
    const Result<void> outcome = lost_ ? Result<void>(*lost_) : Result<void>();
    // Held while they are called: an owner that goes away meanwhile waits for them, and is not called after that.
    const std::lock_guard lock(shared_->mutex);
    if (!shared_->abandoned)
      for (const auto& waiter : waiters_) waiter(outcome);
    waiters_.clear();
  }

  void sync_segment() {
    const auto begun = SteadyClock::now();
    const auto synced = segment_->sync();
    const auto took = SteadyClock::now() - begun;
    if (took >= slow_sync) tell(JournalNews::What::slow, "the disk took " + one_decimal(took) + " s to take records");
    if (!synced) return move(synced.error());
    count_sync(took);
    forget_unsynced();
  }

  void count_sync(SteadyClock::duration took) {
    const std::lock_guard lock(shared_->mutex);
    ++shared_->figures.syncs;
    shared_->figures.total += took;
    shared_->figures.largest = std::max(shared_->figures.largest, took);
  }

  void forget_unsynced() {
    empty(unsynced_);
    if (copying()) copies_.back()->offer(segment_->size());
    const std::lock_guard lock(shared_->mutex);
    shared_->taken_since.reset();
    shared_->taken_bytes = shared_->taken_lines = 0;
  }

  // Goes on in a new file with what is not on disk; the file that failed is left as it is.
  void move(const Error& why) {
    std::string tried;
    for (const auto& folder : number_++ < most_files ? folders() : std::vector<std::filesystem::path>()) {
      const auto path = folder / continuation_name(settings().file, number_).filename();
      if (folder != settings().file.parent_path()) shared_->files->make_folder(folder);
      const auto failed = begin_segment(path);
      if (!failed) return tell(JournalNews::What::moved, why.text() + "; it goes on in " + path.string());
      tried += "; " + failed->text();
    }
    lose(Error{why.code, why.doing, why.detail + "; and no new file takes what follows" + tried, why.where});
  }

  // The second folder first: what failed here once may fail again.
  [[nodiscard]] std::vector<std::filesystem::path> folders() const {
    std::vector<std::filesystem::path> out;
    if (settings().second_folder) out.push_back(*settings().second_folder);
    out.push_back(settings().file.parent_path());
    return out;
  }

  std::optional<Error> begin_segment(const std::filesystem::path& path) {
    auto made = Segment::create(path, shared_->files);
    if (!made) return made.error();
    const auto room = made->reserve(unsynced_.size() + 2 * closing_room_bytes);
    auto written = made->append(unsynced_);
    if (written) written = made->sync();
    if (!written) {
      shared_->files->remove(path);  // nobody was told of anything in it
      return written.error();
    }
    segment_.emplace(std::move(made).value());
    if (room) note_reservation(*room, unsynced_.size() + 2 * closing_room_bytes);
    start_copy();
    forget_unsynced();
    return std::nullopt;
  }

  void note_reservation(bool possible, std::uint64_t bytes) {
    reserved_ = possible ? std::optional(bytes) : std::nullopt;
    if (!possible)
      tell(JournalNews::What::unreserved,
           "the file system of " + segment_->path().string() + " cannot reserve room: a full disk will show late");
  }

  // More than was planned: asks for more room in time, and says so where there is none.
  void watch_space() {
    if (!reserved_ || lost_ || segment_->size() + 2 * closing_room_bytes <= *reserved_) return;
    const std::uint64_t wanted = segment_->size() + 4 * closing_room_bytes;
    if (const auto room = segment_->reserve(wanted)) {
      reserved_ = wanted;
      low_told_ = false;
      return;
    }
    if (!low_told_)
      tell(JournalNews::What::space_low, "the disk has no more room for the journal; its reserve is in use");
    low_told_ = true;
    if (!out_told_ && segment_->size() + closing_room_bytes > *reserved_) {
      tell(JournalNews::What::space_out, "the disk is full: what is left of the journal's reserve is for the end");
      out_told_ = true;
    }
  }

  void tell(JournalNews::What what, std::string text) {
    const std::lock_guard lock(shared_->mutex);
    shared_->news.push_back({what, std::move(text)});
  }

  void lose(const Error& error) {
    lost_ = error;
    segment_.reset();
    unsynced_.clear();
    const std::lock_guard lock(shared_->mutex);
    shared_->lost = error;
    shared_->taken_since.reset();
    shared_->taken_bytes = shared_->taken_lines = 0;
  }

  std::shared_ptr<Shared> shared_;
  std::optional<Segment> segment_;
  std::vector<std::shared_ptr<Copy>>
      copies_;      // of each file outside the second folder; the last may be the current one's
  int number_ = 1;  // of the file
  std::string work_, unsynced_;
  std::vector<Waiter> waiters_;
  std::optional<SteadyClock::time_point> oldest_;  // unsynced line
  std::optional<std::uint64_t> reserved_;          // bytes that the file can grow to; nothing: not known
  std::optional<Error> lost_;
  bool ending_ = false, low_told_ = false, out_told_ = false;
};

Journal::Journal(JournalSettings settings, std::shared_ptr<FileSystem> files)
    : composer_(settings.file.string()),
      key_(settings.key),
      shared_(std::make_shared<Shared>(std::move(settings), std::move(files))) {
  // Detached: a disk that hangs for ever must not keep the program. It holds what it needs by itself.
  std::thread(Thread(shared_)).detach();
}

Journal::~Journal() {
  end();
  std::unique_lock lock(shared_->mutex);
  shared_->changed.wait_for(lock, shared_->settings.patience, [&] { return shared_->ended; });
  shared_->abandoned = true;
}

Result<std::uint64_t> Journal::append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp,
                                      std::string* bytes) {
  const auto line = composer_.compose(kind, fields, stamp);
  if (!line) return line.error();
  {
    const std::lock_guard lock(shared_->mutex);
    if (shared_->lost) return *shared_->lost;
    if (shared_->queue.size() + shared_->taken_bytes + line->size() > shared_->settings.most_waiting_bytes)
      return Error{Errc::storage, "appending to a journal", "the disk takes nothing, and too much waits for it",
                   shared_->settings.file.string()};
  }
  put(*line);
  if (bytes) *bytes = *line;
  const std::uint64_t n = composer_.count() - 1;
  if (kind == "closing") {
    const auto seal = composer_.compose_seal(key_.get());
    if (!seal) return seal.error();
    put(*seal);
  }
  return n;
}

void Journal::put(std::string_view line) {
  composer_.accept();
  const std::lock_guard lock(shared_->mutex);
  shared_->queue += line;
  ++shared_->queued_lines;
  shared_->figures.most_queued = std::max(shared_->figures.most_queued, shared_->queued_lines + shared_->taken_lines);
  if (!shared_->queued_since) shared_->queued_since = SteadyClock::now();
  shared_->changed.notify_one();
}

void Journal::commit(Waiter waiter) {
  const std::lock_guard lock(shared_->mutex);
  shared_->waiters.push_back(std::move(waiter));
  shared_->changed.notify_one();
}

void Journal::end() {
  const std::lock_guard lock(shared_->mutex);
  shared_->ending = true;
  shared_->changed.notify_one();
}

bool Journal::ended() const {
  const std::lock_guard lock(shared_->mutex);
  return shared_->ended;
}

std::chrono::steady_clock::duration Journal::waiting() const {
  const std::lock_guard lock(shared_->mutex);
  const auto oldest = shared_->taken_since ? shared_->taken_since : shared_->queued_since;
  return oldest ? SteadyClock::now() - *oldest : SteadyClock::duration{};
}

std::vector<JournalNews> Journal::take_news() {
  const std::lock_guard lock(shared_->mutex);
  return std::exchange(shared_->news, {});
}

JournalFigures Journal::take_figures() {
  const std::lock_guard lock(shared_->mutex);
  JournalFigures figures = std::exchange(shared_->figures, {});
  shared_->figures.most_queued = shared_->queued_lines + shared_->taken_lines;
  if (shared_->settings.second_folder) figures.copy_behind_bytes = 0;
  for (const auto& copy : shared_->copies) *figures.copy_behind_bytes += copy->behind();
  return figures;
}

}  // namespace nightwell::journal
