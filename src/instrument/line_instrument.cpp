#include "instrument/line_instrument.hpp"

#include <system_error>
#include <utility>

#include "nightwell/instrument/scpi.hpp"

namespace nightwell::instrument {

namespace {

constexpr int repeats = 2;
constexpr int identity_attempts = 3;
constexpr int reopen_attempts = 3;
constexpr Duration reopen_pause{500'000};

// The conversation is ours until this goes, however the coroutine ends.
class Turn {
 public:
  explicit Turn(bool& talking) : talking_(talking) { talking_ = true; }
  Turn(const Turn&) = delete;
  Turn& operator=(const Turn&) = delete;
  ~Turn() { talking_ = false; }

 private:
  bool& talking_;
};

Error simple(Errc code, std::string detail) {
  Error error;
  error.code = code;
  error.detail = std::move(detail);
  return error;
}

Error overlapping() {
  return simple(Errc::unexpected, "a call came while another was going on");
}

Error from_exception(const std::system_error& problem) {
  if (problem.code() == asio::error::operation_aborted) return simple(Errc::port_gone, "the call was cancelled");
  return simple(Errc::unexpected, problem.what());
}

Error refusal(const std::vector<QueueEntry>& entries) {
  std::string detail = "its error queue says ";
  for (std::size_t i = 0; i < entries.size() && i < 4; ++i) {
    if (i > 0) detail += "; ";
    detail += std::to_string(entries[i].number) + " \"" + printable(entries[i].text) + "\"";
  }
  if (entries.size() > 4) detail += "; and " + std::to_string(entries.size() - 4) + " more";
  return simple(Errc::refused, std::move(detail));
}

// -100 to -199 are command errors (SCPI-1999 chapter 21): the message arrived damaged, so it may be sent
// again.
bool is_damaged_message(const QueueEntry& entry) {
  return entry.number <= -100 && entry.number > -200;
}

bool is_of_the_line(Errc code) {
  return code == Errc::no_answer || code == Errc::garbled || code == Errc::port_gone;
}

}  // namespace

template <class CodecType>
LineInstrument<CodecType>::LineInstrument(asio::io_context& io, ConnectionSettings settings,
                                          std::unique_ptr<CodecType> codec)
    : settings_(std::move(settings)),
      codec_(std::move(codec)),
      line_(codec_->line()),
      link_(io, settings_.port, line_, settings_.reply > Duration::zero() ? settings_.reply : line_.reply) {
  if (const Result<Message> message = codec_->encode(AskIdentity()); message.ok()) marker_ = message->bytes;
}

template <class CodecType>
void LineInstrument<CodecType>::close() {
  open_wanted_ = false;
  link_.close();
}

template <class CodecType>
Error LineInstrument<CodecType>::named(Error error, std::string_view doing) const {
  error.doing = std::string(doing) + " of " + settings_.name;
  if (error.where.empty()) error.where = port_name(settings_.port);
  return error;
}

template <class CodecType>
Error LineInstrument<CodecType>::closed() const {
  return simple(Errc::port_gone, "the port is closed; identify the instrument first");
}

template <class CodecType>
Error LineInstrument<CodecType>::wrong_identity(const std::string& got) const {
  const std::string& wanted = identity_.empty() ? settings_.identity : identity_;
  return simple(Errc::wrong_identity, "expected \"" + printable(wanted) + "\", but \"" + printable(got) +
                                          "\" answers; nothing was set. Are the ports swapped?");
}

// ---- the calls -----------------------------------------------------------------------------------

template <class CodecType>
asio::awaitable<Result<Identity>> LineInstrument<CodecType>::identify() {
  if (talking_) co_return named(overlapping(), "asking the identity");
  const Turn turn(talking_);
  open_wanted_ = true;
  try {
    Result<Identity> identity = co_await identify_in_turn();
    if (!identity) co_return named(identity.error(), "asking the identity");
    co_return identity;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), "asking the identity");
  }
}

template <class CodecType>
asio::awaitable<Result<Answer>> LineInstrument<CodecType>::ask(Command command, std::string_view doing) {
  if (talking_) co_return named(overlapping(), doing);
  const Turn turn(talking_);
  try {
    Result<Answer> answer = co_await ask_in_turn(command);
    if (!answer) co_return named(answer.error(), doing);
    co_return answer;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::tell(Command command, std::string_view doing, bool at_once) {
  if (talking_) {
    if (const Result<Message> message = codec_->encode(command); at_once && message.ok())
      link_.send_regardless(message->bytes);
    co_return named(overlapping(), doing);
  }
  const Turn turn(talking_);
  try {
    const Result<void> told = co_await tell_in_turn(command, at_once);
    if (!told) co_return named(told.error(), doing);
    co_return told;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

template <class CodecType>
Result<bool> LineInstrument<CodecType>::needs_nothing(const Command& command) const {
  const Result<Message> message = codec_->encode(command);
  if (!message) return named(message.error(), "preparing a command");
  return message->bytes.empty();
}

// ---- how they are done ---------------------------------------------------------------------------

template <class CodecType>
asio::awaitable<Result<Answer>> LineInstrument<CodecType>::ask_in_turn(Command command) {
  const Result<Message> message = codec_->encode(command);
  if (!message) co_return message.error();

  Error last;
  for (int attempt = 0; attempt <= repeats; ++attempt) {
    if (!open_wanted_) co_return closed();
    if (queue_unread_ || !link_.ready()) {
      const Result<Entries> entries = co_await make_ready();
      if (!entries) co_return entries.error();
      if (attempt > 0 && !entries->empty() && !is_damaged_message(entries->front())) co_return refusal(*entries);
    }
    if (attempt > 0) ++asked_again_;
    const Result<std::string_view> line = co_await link_.query(message->bytes);
    if (line) {
      last_text_.assign(*line);
      last_was_odd_ = attempt > 0 || link_.was_odd();
      Result<Answer> answer = codec_->decode(*line, command);
      if (answer || answer.error().code != Errc::garbled) co_return answer;
      link_.mark_suspect();
      last = answer.error();
    } else {
      last = line.error();
    }
    queue_unread_ = true;
    const bool cancelled = last.code == Errc::port_gone && link_.is_open();
    if (cancelled || !message->repeatable) break;
  }
  co_return last;
}

template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::tell_in_turn(Command command, bool at_once) {
  const Result<Message> message = codec_->encode(command);
  if (!message) co_return message.error();
  if (!open_wanted_) co_return closed();

  const bool in_step = link_.ready();
  if (at_once && !in_step) link_.send_regardless(message->bytes);
  if (queue_unread_ || !in_step) {
    // What stands in the queue from before is not this command's fault.
    const Result<Entries> ready = co_await make_ready();
    if (!ready) co_return ready.error();
  }
  queue_unread_ = true;
  const Result<void> sent = co_await link_.send(message->bytes);
  if (!sent) co_return sent.error();
  const Result<Entries> entries = co_await read_queue();
  if (!entries) co_return entries.error();
  if (!entries->empty()) co_return refusal(*entries);
  co_return Result<void>();
}

template <class CodecType>
asio::awaitable<Result<Identity>> LineInstrument<CodecType>::identify_in_turn() {
  if (!link_.is_open()) {
    const Result<void> opened = co_await link_.open();
    if (!opened) co_return opened.error();
  }
  Result<Identity> identity = co_await learn_identity();
  if (!identity) co_return identity;
  const bool as_wanted = identity->text.find(settings_.identity) != std::string::npos &&
                         (identity_.empty() || identity_ == identity->text);
  if (!as_wanted) {
    const Error error = wrong_identity(identity->text);
    close();
    co_return error;
  }
  identity_ = identity->text;
  const Result<Entries> entries = co_await read_queue();
  if (!entries) co_return entries.error();
  for (const QueueEntry& entry : *entries)
    identity->old_errors.push_back(std::to_string(entry.number) + " " + entry.text);
  co_return identity;
}

template <class CodecType>
asio::awaitable<Result<typename LineInstrument<CodecType>::Entries>> LineInstrument<CodecType>::make_ready() {
  if (identity_.empty()) co_return closed();
  if (!link_.is_open()) {
    const Result<void> opened = co_await reopen();
    if (!opened) co_return opened.error();
  }
  if (link_.is_suspect()) {
    queue_unread_ = true;
    const Result<void> in_step = co_await link_.resynchronise(marker_, identity_);
    if (!in_step) co_return in_step.error();
  }
  if (!queue_unread_) co_return Entries();  // only the gap between two messages was due: the link keeps it
  co_return co_await read_queue();
}

template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::reopen() {
  queue_unread_ = true;
  Error last;
  for (int attempt = 0; attempt < reopen_attempts; ++attempt) {
    if (attempt > 0) co_await link_.pause(reopen_pause);
    if (!open_wanted_) co_return closed();
    const Result<void> opened = co_await link_.open();
    if (!opened) {
      last = opened.error();
      // Busy may be a program that looks at every new port for a moment.
      if (!is_of_the_line(last.code) && last.code != Errc::port_busy) co_return last;
      continue;
    }
    const Result<Identity> identity = co_await learn_identity();
    if (identity && identity->text == identity_) co_return Result<void>();
    // The port is back and what is behind it is wrong or mute: no sooner tried again than the next call.
    const Error error = identity ? wrong_identity(identity->text) : identity.error();
    link_.close();
    co_return error;
  }
  co_return last;
}

// Asks twice, and believes it only if both answers are the same: the first may be the end of somebody else's
// talk.
template <class CodecType>
asio::awaitable<Result<Identity>> LineInstrument<CodecType>::learn_identity() {
  Error last;
  for (int attempt = 0; attempt < identity_attempts; ++attempt) {
    if (attempt > 0 || !link_.ready()) {
      const Result<void> drained = co_await link_.drain();
      if (!drained) {
        last = drained.error();
        if (last.code == Errc::port_gone) co_return last;
        continue;
      }
    }
    Result<Identity> first = co_await ask_identity();
    if (!first) {
      last = first.error();
      if (last.code == Errc::port_gone) co_return last;
      continue;
    }
    const Result<Identity> second = co_await ask_identity();
    if (!second)
      last = second.error();
    else if (first->text == second->text)
      co_return first;
    else
      last = simple(Errc::garbled, "two different identities: \"" + printable(first->text) + "\" and \"" +
                                       printable(second->text) + "\"");
    if (last.code == Errc::port_gone) co_return last;
  }
  link_.mark_suspect();
  co_return last;
}

template <class CodecType>
asio::awaitable<Result<Identity>> LineInstrument<CodecType>::ask_identity() {
  const Command command = AskIdentity();
  const Result<std::string_view> line = co_await link_.query(marker_);
  if (!line) co_return line.error();
  const Result<Answer> answer = codec_->decode(*line, command);
  if (!answer) co_return answer.error();
  co_return std::get<Identity>(*answer);
}

template <class CodecType>
asio::awaitable<Result<typename LineInstrument<CodecType>::Entries>> LineInstrument<CodecType>::read_queue() {
  const Command command = AskError();
  const Result<Message> question = codec_->encode(command);
  if (!question) co_return question.error();
  Entries entries;
  for (int clearings = 0;; ++clearings) {
    for (int i = 0; i < line_.queue_limit; ++i) {
      const Result<std::string_view> line = co_await link_.query(question->bytes);
      if (!line) co_return line.error();
      const Result<Answer> answer = codec_->decode(*line, command);
      if (!answer) {
        link_.mark_suspect();
        co_return answer.error();
      }
      const QueueEntry& entry = std::get<QueueEntry>(*answer);
      if (entry.number == 0) {
        queue_unread_ = false;
        co_return entries;
      }
      if (clearings == 0) entries.push_back(entry);
    }
    const Command clearing = ClearErrors();
    const Result<Message> clear = codec_->encode(clearing);
    if (!clear || clearings > 0) break;
    const Result<void> sent = co_await link_.send(clear->bytes);
    if (!sent) co_return sent.error();
  }
  Error error = refusal(entries);
  error.detail = "its error queue never empties; " + error.detail;
  co_return error;
}

template class LineInstrument<ScannerCodec>;
template class LineInstrument<HeatSourceCodec>;

}  // namespace nightwell::instrument
