#include "instrument/line_instrument.hpp"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <system_error>
#include <utility>

#include "instrument/turn.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::instrument {

namespace {

constexpr int repeats = 2;
constexpr int identity_attempts = 3;
constexpr int reopen_attempts = 3;
constexpr Duration reopen_pause{500'000};

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

Error not_ready(std::string_view question, const std::string& said, int asked, Duration within) {
  return simple(Errc::no_answer, "not ready " + std::to_string(within.count() / 1000) +
                                     " ms after it was begun: asked \"" + printable(question) + "\" " +
                                     std::to_string(asked) + " times, and the last answer was \"" + said + "\"");
}

std::string answer_text(const Answer& answer) {
  if (const auto* number = std::get_if<double>(&answer)) return std::to_string(*number);
  if (const auto* on = std::get_if<bool>(&answer)) return *on ? "on" : "off";
  return "something else";
}

bool proves(const Answer& answer, const Answer& expected, double tolerance) {
  if (answer.index() != expected.index()) return false;
  if (const auto* number = std::get_if<double>(&answer))
    return std::abs(*number - std::get<double>(expected)) <= tolerance;
  if (const auto* on = std::get_if<bool>(&answer)) return *on == std::get<bool>(expected);
  return true;
}

}  // namespace

template <class CodecType>
LineInstrument<CodecType>::LineInstrument(asio::io_context& io, ConnectionSettings settings,
                                          std::unique_ptr<CodecType> codec)
    : LineInstrument(make_wire(io, settings), settings, std::move(codec)) {}

template <class CodecType>
LineInstrument<CodecType>::LineInstrument(std::unique_ptr<Wire> wire, ConnectionSettings settings,
                                          std::unique_ptr<CodecType> codec)
    : settings_(std::move(settings)),
      codec_(std::move(codec)),
      line_(codec_->line()),
      link_(std::move(wire), port_name(settings_.port), line_,
            settings_.reply > Duration::zero() ? settings_.reply : line_.reply) {
  if (const Result<Message> message = codec_->encode(AskIdentity()); message.ok()) marker_ = *message;
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
asio::awaitable<Result<void>> LineInstrument<CodecType>::tell(Command command, std::string_view doing, When when) {
  if (talking_) {
    if (const Result<Message> message = codec_->encode(command); when == When::at_once && message.ok())
      link_.send_regardless(message->bytes);
    co_return named(overlapping(), doing);
  }
  const Turn turn(talking_);
  try {
    const Result<void> told = co_await tell_in_turn(command, when);
    if (!told) co_return named(told.error(), doing);
    co_return told;
  } catch (const std::system_error& problem) {
    co_return named(from_exception(problem), doing);
  }
}

template <class CodecType>
Result<void> LineInstrument<CodecType>::started(std::string_view doing) const {
  if (started_ || !open_wanted_) return {};
  return named(simple(Errc::refused,
                      "nothing that heats is sent before its identity has answered and every step of its start-up has "
                      "succeeded; identify it again"),
               doing);
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
      const Result<Entries> entries = co_await make_ready(false);
      if (!entries) co_return entries.error();
      if (attempt > 0 && !entries->empty() && !is_damaged_message(entries->front())) co_return refusal(*entries);
    }
    if (attempt > 0) ++asked_again_;
    const Result<void> prepared = co_await prepare(command);
    Result<std::string_view> line = std::string_view();
    if (prepared)
      line = co_await link_.query(*message);
    else
      line = prepared.error();
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
    // In step all the same: that was the instrument's own word.
    if (cancelled || !message->repeatable || !link_.is_suspect()) break;
  }
  co_return last;
}

template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::tell_in_turn(Command command, When when) {
  const bool at_once = when == When::at_once;
  const Result<Message> message = codec_->encode(command);
  if (!message) co_return message.error();
  if (!open_wanted_) co_return closed();

  const std::uint64_t found_before = found_again_;
  const bool in_step = link_.ready();
  if (at_once && (link_.is_suspect() || !link_.is_open())) link_.send_regardless(message->bytes);
  if (queue_unread_ || !in_step) {
    // What stands in the queue from before is not this command's fault.
    const Result<Entries> ready = co_await make_ready(at_once);
    if (!ready) co_return ready.error();
  }
  if (when == When::as_last_seen && found_again_ != found_before)
    co_return simple(
        Errc::no_answer,
        "not sent: the line had to be found again, and the instrument may have been off meanwhile and have "
        "its old setpoint; look at it first");
  const Result<void> done = co_await carry_out(*message, command);
  if (!done && done.error().code == Errc::refused) start_up_due_ = true;
  if (at_once && (start_up_due_ || !started_) && !link_.is_suspect()) (void)co_await start_up();
  if (!done) co_return done.error();
  co_return co_await prove(command);
}

// What the question needs before it. Afterwards the line must be as it was: had it to be put in step in between, or the port to
// be opened again, the instrument might have forgotten.
template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::prepare(Command question) {
  const std::vector<Command> settings = codec_->before(question);
  for (const Command& setting : settings) {
    const Result<Message> message = codec_->encode(setting);
    if (!message) co_return message.error();
    const Result<void> done = co_await carry_out(*message, setting);
    if (!done) co_return done.error();
    co_await link_.rest();
    const Result<void> same = undisturbed();
    if (!same) co_return same.error();
  }
  const std::optional<Wait<Command>> wait = codec_->wait(question);
  if (wait) co_return co_await wait_for(*wait);
  co_return Result<void>();
}

// Whether the line is as the last exchange left it.
template <class CodecType>
Result<void> LineInstrument<CodecType>::undisturbed() {
  if (link_.ready()) return {};
  if (!link_.is_open()) return simple(Errc::port_gone, "the port went between a setting and the question behind it");
  link_.mark_suspect();
  return simple(Errc::garbled, "something came between a setting and the question that belongs to it");
}

// Asked at once, then after each pause, and a last time when the time is over.
template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::wait_for(Wait<Command> wait) {
  const Result<Message> question = codec_->encode(wait.question);
  if (!question) co_return question.error();
  const SteadyTime last_time = link_.now() + wait.within;
  for (int asked = 1;; ++asked) {
    const bool is_last = link_.now() >= last_time;
    const Result<std::string_view> line = co_await link_.query(*question);
    if (!line) co_return line.error();
    const Result<Answer> ready = codec_->decode(*line, wait.question);
    if (!ready && ready.error().code == Errc::garbled) link_.mark_suspect();
    if (!ready) co_return ready.error();
    const bool is_ready = std::get<bool>(*ready);
    const std::string said = printable(*line);
    const Duration left = std::chrono::ceil<Duration>(last_time - link_.now());
    if (!is_ready && !is_last) co_await link_.pause(std::clamp(left, Duration::zero(), wait.every));
    if (link_.is_open()) co_await link_.rest();
    const Result<void> same = undisturbed();
    if (!same || is_ready) co_return same;
    if (is_last) co_return not_ready(question->bytes, said, asked, wait.within);
  }
}

// A setting on a line that is in step: out it goes, once, and whatever the instrument says to it is heard.
template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::carry_out(const Message& message, Command command) {
  queue_unread_ = true;
  if (link_.is_exchange(message)) {
    const Result<std::string_view> reply = co_await link_.query(message);
    if (!reply) co_return reply.error();
    if (message.answered) {
      const Result<Answer> said = codec_->decode(*reply, command);
      if (!said && said.error().code == Errc::garbled) link_.mark_suspect();
      if (!said) co_return said.error();
    }
  } else {
    const Result<void> sent = co_await link_.send(message.bytes);
    if (!sent) co_return sent.error();
  }
  const Result<Entries> entries = co_await read_queue();
  if (!entries) co_return entries.error();
  if (!entries->empty()) co_return refusal(*entries);
  co_return Result<void>();
}

template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::prove(Command command) {
  const std::optional<Proof<Command>> proof = codec_->proof(command);
  if (!proof) co_return Result<void>();
  const Result<Answer> answer = co_await ask_in_turn(proof->question);
  if (!answer) co_return answer.error();
  if (proves(*answer, proof->expected, proof->tolerance)) co_return Result<void>();
  co_return simple(Errc::mismatch, "read back " + answer_text(*answer) + " after setting " +
                                       answer_text(proof->expected) +
                                       "; look whether its panel is locked or limits it");
}

// The link is in step and the identity right.
template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::start_up() {
  started_ = false;
  for (std::size_t index = 0; index < codec_->steps(Steps::start_up); ++index) {
    RunStep step;
    step.index = index;
    const Command command = step;
    const Result<Message> message = codec_->encode(command);
    if (!message) co_return message.error();
    co_await link_.rest();
    Result<void> done = co_await carry_out(*message, command);
    if (done) done = co_await prove(command);
    if (!done) {
      Error error = done.error();
      error.detail = "step " + std::to_string(index + 1) + " of its start-up: " + error.detail;
      co_return error;
    }
  }
  started_ = true;
  start_up_due_ = false;
  co_return Result<void>();
}

template <class CodecType>
asio::awaitable<Result<Identity>> LineInstrument<CodecType>::identify_in_turn() {
  started_ = false;
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
  const Result<Entries> entries = co_await read_old_errors();
  if (!entries) co_return entries.error();
  for (const QueueEntry& entry : *entries)
    identity->old_errors.push_back(std::to_string(entry.number) + " " + entry.text);
  const Result<void> started = co_await start_up();
  if (!started) co_return started.error();
  co_return identity;
}

// Behind an identity. A look at the queue may be repeated as any question may.
template <class CodecType>
asio::awaitable<Result<typename LineInstrument<CodecType>::Entries>> LineInstrument<CodecType>::read_old_errors() {
  queue_unread_ = true;
  Result<Entries> entries = co_await read_queue();
  for (int again = 0; again < repeats && !entries; ++again) {
    const Errc why = entries.error().code;
    if (why != Errc::no_answer && why != Errc::garbled) break;
    entries = co_await make_ready(false);
  }
  co_return entries;
}

template <class CodecType>
asio::awaitable<Result<typename LineInstrument<CodecType>::Entries>> LineInstrument<CodecType>::make_ready(
    bool for_off) {
  if (identity_.empty()) co_return closed();
  if (!link_.is_open()) {
    ++found_again_;
    const Result<void> opened = co_await reopen(for_off);
    if (!opened) co_return opened.error();
  }
  // What comes in the gap before the next message was not asked for.
  if (!link_.is_suspect()) {
    co_await link_.rest();
    (void)link_.ready();
  }
  if (!link_.is_open()) co_return simple(Errc::port_gone, "the port went while the line rested");
  if (link_.is_suspect()) {
    queue_unread_ = true;
    ++found_again_;
    const Result<void> in_step = co_await link_.resynchronise(marker_, known_);
    if (!in_step) co_return in_step.error();
    co_await link_.rest();
  }
  if (!queue_unread_) co_return Entries();
  co_return co_await read_queue();
}

template <class CodecType>
asio::awaitable<Result<void>> LineInstrument<CodecType>::reopen(bool for_off) {
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
    if (identity && identity->text == identity_) {
      const Result<void> started = co_await start_up();
      // What is behind the port is known: a failed start-up holds up everything but "off".
      if (started || for_off) co_return Result<void>();
      link_.close();
      co_return started.error();
    }
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
  known_.assign(*line);
  const Result<Answer> answer = codec_->decode(*line, command);
  if (!answer) co_return answer.error();
  co_return std::get<Identity>(*answer);
}

template <class CodecType>
asio::awaitable<Result<typename LineInstrument<CodecType>::Entries>> LineInstrument<CodecType>::read_queue() {
  if (!line_.error_queue) {
    queue_unread_ = false;
    co_return Entries();
  }
  const Command command = AskError();
  const Result<Message> question = codec_->encode(command);
  if (!question) co_return question.error();
  Entries entries;
  for (int clearings = 0;; ++clearings) {
    for (int i = 0; i < line_.queue_limit; ++i) {
      const Result<std::string_view> line = co_await link_.query(*question);
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
    if (link_.is_exchange(*clear)) {
      const Result<std::string_view> cleared = co_await link_.query(*clear);
      if (!cleared) co_return cleared.error();
    } else {
      const Result<void> sent = co_await link_.send(clear->bytes);
      if (!sent) co_return sent.error();
    }
  }
  Error error = refusal(entries);
  error.detail = "its error queue never empties; " + error.detail;
  co_return error;
}

template class LineInstrument<ScannerCodec>;
template class LineInstrument<HeatSourceCodec>;

}  // namespace nightwell::instrument
