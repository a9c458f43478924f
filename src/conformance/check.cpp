#include "conformance/check.hpp"

#include <limits>
#include <utility>

#include "conformance/session.hpp"

namespace nightwell::conformance {

namespace {

constexpr double beyond_every_target_c = 1e6;
constexpr int no_address = -1;
constexpr int beyond_every_address = 1'000'000;
constexpr double source_allowance_k = 0.3;

using Attempts = std::vector<std::pair<std::string, std::function<asio::awaitable<Result<void>>()>>>;

asio::awaitable<Result<double>> output_as_number(instrument::HeatSource& source) {
  const Result<bool> on = co_await source.read_output();
  if (!on) co_return on.error();
  co_return *on ? 1.0 : 0.0;
}

asio::awaitable<Result<double>> value_of_channel(instrument::Scanner& scanner, instrument::ChannelSetup channel) {
  const Result<instrument::Reading> reading = co_await scanner.read(channel);
  if (!reading) co_return reading.error();
  co_return reading->value;
}

asio::awaitable<Result<void>> read_and_forget(instrument::Scanner& scanner, instrument::ChannelSetup channel) {
  const Result<instrument::Reading> reading = co_await scanner.read(channel);
  if (!reading) co_return reading.error();
  co_return Result<void>();
}

Findings not_made(const Error& error) {
  Findings findings;
  findings.ended_early = error.text();
  return findings;
}

// A call that never ended still refers to its driver: then both stay for the rest of the process.
template <class Instrument>
void let_go(std::unique_ptr<Instrument> instrument, std::unique_ptr<asio::io_context> io, bool stuck) {
  if (!stuck) return;
  (void)instrument.release();
  (void)io.release();
}

std::string channel_text(const instrument::ChannelSetup& channel) {
  return "reading channel " + std::to_string(channel.address) + ", " + std::string(name(channel.measures));
}

Attempts bad_targets(instrument::HeatSource& source, const Wishes& wishes) {
  Attempts out;
  const auto add = [&out, &source](std::string what, double t_c) {
    out.emplace_back(std::move(what), [&source, t_c] { return source.set_target(t_c); });
  };
  add("a target that is no number", std::numeric_limits<double>::quiet_NaN());
  add("an endless target", std::numeric_limits<double>::infinity());
  add("a target of a million °C", beyond_every_target_c);
  add("a target of minus a million °C", -beyond_every_target_c);
  if (wishes.driver_lowest_c) add("a target below the driver's lowest", *wishes.driver_lowest_c - 1);
  if (wishes.driver_highest_c) add("a target above the driver's highest", *wishes.driver_highest_c + 1);
  return out;
}

Attempts bad_addresses(instrument::Scanner& scanner, Quantity measures) {
  Attempts out;
  for (const int address : {no_address, beyond_every_address}) {
    instrument::ChannelSetup channel;
    channel.address = address;
    channel.measures = measures;
    out.emplace_back("channel " + std::to_string(address),
                     [&scanner, channel] { return read_and_forget(scanner, channel); });
  }
  return out;
}

Session::Said missing_channel_case(Session& session, instrument::Scanner& scanner, Quantity measures,
                                   std::vector<Question>& questions) {
  const Wishes& wishes = session.wishes();
  instrument::ChannelSetup channel = wishes.channels.front();
  channel.measures = measures;
  if (wishes.missing_address)
    channel.address = *wishes.missing_address;
  else if (wishes.refuse_next)
    wishes.refuse_next();
  else
    return skipped("no channel is known that the instrument must refuse (--missing-channel)");
  const std::size_t mark = session.line().mark();
  const auto called = session.call(value_of_channel(scanner, channel));
  if (called.ok()) return failed("gave " + told(called) + " where the instrument refused");
  if (!called.result) return failed(called.trouble);
  if (refused_by_itself(session, called.result->error(), mark))
    return skipped(
        "the driver refuses it itself and asked nothing, so the instrument could not: name a channel that the driver "
        "lets through (--missing-channel), where there is one");
  if (called.result->error().code != Errc::refused)
    return failed("said " + told(called) + " where the instrument refused: " + called.result->error().text());
  const auto next = session.ask_until_answered(questions.front());
  if (!next.ok()) return failed("refused, but then nothing worked: " + told(next));
  return passed("refused; then right again");
}

}  // namespace

Findings check_scanner(const instrument::Registry::MakeScanner& make, instrument::ConnectionSettings settings,
                       FaultyLine& line, const Wishes& wishes) {
  auto io = std::make_unique<asio::io_context>(1);
  settings.port = line.near_port();
  const std::string identity = settings.identity;
  Session session(*io, line, wishes, bound_for(settings));
  auto made = make(*io, std::move(settings));
  if (!made) return not_made(made.error());
  auto scanner = std::move(made).value();
  Driver driver;
  driver.identify = [&scanner] { return scanner->identify(); };
  driver.close = [&scanner] { scanner->close(); };
  session.set_driver(driver);

  std::vector<Question> questions;
  for (const instrument::ChannelSetup& channel : wishes.channels) {
    Question question;
    question.name = channel_text(channel);
    question.ask = [&scanner, channel] { return value_of_channel(*scanner, channel); };
    questions.push_back(std::move(question));
  }
  check_questions(session, questions, identity);
  for (const instrument::ChannelSetup& channel : wishes.channels)
    session.run("configuring channel " + std::to_string(channel.address), "unspoiled", [&]() -> Session::Said {
      const auto called = session.call(scanner->configure(channel));
      return called.ok() ? passed("done") : failed(called.result ? called.result->error().text() : called.trouble);
    });
  if (!wishes.channels.empty()) {
    const Quantity measures = wishes.channels.front().measures;
    session.run("reading a channel", "the instrument refuses",
                [&] { return missing_channel_case(session, *scanner, measures, questions); });
    check_refusals(session, "reading a channel that cannot be", bad_addresses(*scanner, measures));
  }
  check_silence(session);
  scanner->close();
  Findings findings = std::move(session.findings());
  let_go(std::move(scanner), std::move(io), session.is_stuck());
  return findings;
}

Findings check_source(const instrument::Registry::MakeHeatSource& make, instrument::ConnectionSettings settings,
                      FaultyLine& line, const Wishes& wishes) {
  auto io = std::make_unique<asio::io_context>(1);
  settings.port = line.near_port();
  const std::string identity = settings.identity;
  Session session(*io, line, wishes, bound_for(settings));
  auto made = make(*io, std::move(settings));
  if (!made) return not_made(made.error());
  auto source = std::move(made).value();
  Driver driver;
  driver.identify = [&source] { return source->identify(); };
  driver.close = [&source] { source->close(); };
  session.set_driver(driver);

  std::vector<Question> questions(3);
  questions[0].name = "reading the temperature";
  questions[0].ask = [&source] { return source->read_temperature(); };
  questions[1].name = "reading the target";
  questions[1].ask = [&source] { return source->read_target(); };
  questions[2].name = "reading the output";
  questions[2].ask = [&source] { return output_as_number(*source); };
  questions[0].allowance = questions[1].allowance = source_allowance_k;
  check_questions(session, questions, identity);
  check_refusals(session, "setting a target that cannot be", bad_targets(*source, wishes));
  if (!wishes.careful && !session.ended()) check_heat(session, *source, questions);
  check_silence(session);
  source->close();
  Findings findings = std::move(session.findings());
  let_go(std::move(source), std::move(io), session.is_stuck());
  return findings;
}

}  // namespace nightwell::conformance
