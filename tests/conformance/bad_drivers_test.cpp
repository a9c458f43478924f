// Each driver here has one fault that drivers have, and must fail the check at the case that is there for it; the same driver
// without the fault passes; so must an instrument that does not do as it is told. In memory, so no program is started. The checks wait most of their time, side by side.
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/steady_timer.hpp>
#include <asio/use_awaitable.hpp>
#include <catch2/catch.hpp>
#include <charconv>
#include <fstream>
#include <future>
#include <iterator>

#include "conformance/check.hpp"
#include "conformance/mirror.hpp"
#include "conformance/report.hpp"
#include "dialect/codec.hpp"
#include "dialect/read_dialect.hpp"
#include "drivers/registry.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/open_port.hpp"
#include "modbus/furnace.hpp"
#include "modbus/source.hpp"
#include "plain_bath.hpp"

namespace {

using namespace nightwell;
using namespace nightwell::instrument;
using namespace nightwell::conformance;

constexpr Duration reply_deadline{200'000};

std::string shipped(const std::string& name) {
  std::ifstream file(std::string(NIGHTWELL_SOURCE_DIR) + "/drivers/dialects/" + name);
  return {std::istreambuf_iterator<char>(file), {}};
}

std::shared_ptr<const dialect::Dialect> parsed(const std::string& text) {
  // As the plan does: compact.
  return dialect::dialect_from(nlohmann::json::parse(text).dump(-1, ' ', true)).value();
}

ConnectionSettings settings_for(const std::string& text) {
  ConnectionSettings settings;
  settings.name = "bath";
  settings.driver = dialect_driver;
  settings.reply = reply_deadline;
  settings.dialect = nlohmann::json::parse(text).dump(-1, ' ', true);
  return settings;
}

// ---- a good driver with one fault in front ----

class Wrapped : public HeatSource {
 public:
  Wrapped(asio::io_context& io, std::unique_ptr<HeatSource> inner) : io_(io), inner_(std::move(inner)) {}
  asio::awaitable<Result<Identity>> identify() override { return inner_->identify(); }
  asio::awaitable<Result<void>> set_target(double t_c) override { return inner_->set_target(t_c); }
  asio::awaitable<Result<double>> read_target() override { return inner_->read_target(); }
  asio::awaitable<Result<double>> read_temperature() override { return inner_->read_temperature(); }
  asio::awaitable<Result<void>> set_output(bool on) override { return inner_->set_output(on); }
  asio::awaitable<Result<bool>> read_output() override { return inner_->read_output(); }
  void close() override { inner_->close(); }

 protected:
  asio::io_context& io_;
  std::unique_ptr<HeatSource> inner_;
};

class RepeatsHeat final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<void>> set_target(double t_c) override {
    const Result<void> first = co_await inner_->set_target(t_c);
    if (first) co_return first;
    co_return co_await inner_->set_target(t_c);
  }
};

class SaysDone final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<void>> set_target(double t_c) override {
    (void)co_await inner_->set_target(t_c);
    co_return Result<void>();
  }
};

class Hangs final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<double>> read_temperature() override {
    const Result<double> value = co_await inner_->read_temperature();
    if (value) co_return value;
    asio::steady_timer timer(io_);
    timer_ = &timer;
    timer.expires_after(std::chrono::minutes(10));
    try {
      co_await timer.async_wait(asio::use_awaitable);
    } catch (const std::exception&) {
    }
    timer_ = nullptr;
    co_return value;
  }
  void close() override {
    if (timer_ != nullptr) timer_->cancel();
    inner_->close();
  }

 private:
  asio::steady_timer* timer_ = nullptr;
};

class RemembersValues final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<double>> read_temperature() override {
    const Result<double> value = co_await inner_->read_temperature();
    if (value) last_ = *value;
    if (last_ != 0) co_return last_;
    co_return value;
  }

 private:
  double last_ = 0;
};

// Sends the target once more when nothing was set for a while after "off": where calls follow at once, it disturbs none of them.
class SendsAfterPark final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<void>> set_target(double t_c) override {
    t_c_ = t_c;
    ++settings_;
    return inner_->set_target(t_c);
  }
  asio::awaitable<Result<void>> set_output(bool on) override {
    const int setting = ++settings_;
    const Result<void> done = co_await inner_->set_output(on);
    if (!on && t_c_ != 0) asio::co_spawn(io_, once_more(setting), asio::detached);
    co_return done;
  }

 private:
  asio::awaitable<void> once_more(int setting) {
    asio::steady_timer timer(io_, std::chrono::milliseconds(50));
    co_await timer.async_wait(asio::use_awaitable);
    if (setting == settings_) (void)co_await inner_->set_target(t_c_);
  }
  double t_c_ = 0;
  int settings_ = 0;
};

class GivesUpOnNonsense final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<void>> set_target(double t_c) override {
    Result<void> done = co_await inner_->set_target(t_c);
    if (!done && done.error().code == Errc::bad_input) done = Error{Errc::port_gone, "", "it crashed", ""};
    co_return done;
  }
};

class AsksBeforeOff final : public Wrapped {
 public:
  using Wrapped::Wrapped;
  asio::awaitable<Result<void>> set_output(bool on) override {
    const Result<bool> now = co_await inner_->read_output();
    if (!now) co_return now.error();
    co_return co_await inner_->set_output(on);
  }
};

template <class Fault>
Registry::MakeHeatSource with() {
  return [](asio::io_context& io, ConnectionSettings settings) -> Result<std::unique_ptr<HeatSource>> {
    auto inner = drivers::registry().sources.at(dialect_driver)(io, std::move(settings));
    if (!inner) return inner.error();
    return std::unique_ptr<HeatSource>(std::make_unique<Fault>(io, std::move(inner).value()));
  };
}

// ---- a codec that takes anything for an acknowledgement ----

class TrustingCodec final : public HeatSourceCodec {
 public:
  explicit TrustingCodec(std::unique_ptr<HeatSourceCodec> inner) : inner_(std::move(inner)) {}
  [[nodiscard]] LineSettings line() const override { return inner_->line(); }
  [[nodiscard]] Result<Message> encode(const HeatSourceCommand& command) const override {
    return inner_->encode(command);
  }
  [[nodiscard]] Result<Answer> decode(std::string_view reply, const HeatSourceCommand& command) const override {
    if (std::holds_alternative<SetTarget>(command) || std::holds_alternative<SetOutput>(command))
      return Answer(Acknowledged());
    return inner_->decode(reply, command);
  }

 private:
  std::unique_ptr<HeatSourceCodec> inner_;
};

Result<std::unique_ptr<HeatSource>> make_trusting(asio::io_context& io, ConnectionSettings settings) {
  const auto spoken = dialect::dialect_from(settings.dialect).value();
  std::unique_ptr<HeatSourceCodec> inner;
  if (spoken->registers)
    inner = std::make_unique<modbus::ModbusSource>(spoken, Duration{});
  else
    inner = std::make_unique<dialect::DialectSource>(spoken);
  auto codec = std::make_unique<TrustingCodec>(std::move(inner));
  return std::unique_ptr<HeatSource>(std::make_unique<LineHeatSource>(io, std::move(settings), std::move(codec)));
}

// ---- a driver as it is written in an afternoon: sends, reads a line, and has no idea of late replies ----

class Naive final : public HeatSource {
 public:
  Naive(asio::io_context& io, ConnectionSettings settings) : io_(io), settings_(std::move(settings)) {}
  asio::awaitable<Result<Identity>> identify() override {
    if (!port_ || !port_->is_open()) {
      port_ = std::make_shared<OpenPort>(io_, settings_.port);
      const Result<void> opened = co_await port_->open(deadline());
      if (!opened) co_return opened.error();
    }
    const Result<std::string> text = co_await ask("VER\r");
    if (!text) co_return text.error();
    Identity identity;
    identity.text = *text;
    co_return identity;
  }
  asio::awaitable<Result<void>> set_target(double t_c) override {
    if (!(std::abs(t_c) < 1000)) co_return Error{Errc::bad_input, "", "no such target", ""};
    co_return co_await tell("SP=" + std::to_string(t_c) + "\r");
  }
  asio::awaitable<Result<double>> read_target() override { return number("SP\r"); }
  asio::awaitable<Result<double>> read_temperature() override { return number("PV\r"); }
  asio::awaitable<Result<void>> set_output(bool on) override { return tell(on ? "HEAT=1\r" : "HEAT=0\r"); }
  asio::awaitable<Result<bool>> read_output() override {
    const Result<std::string> text = co_await ask("HEAT\r");
    if (!text) co_return text.error();
    if (*text != "ON" && *text != "OFF") co_return Error{Errc::garbled, "", *text, ""};
    co_return *text == "ON";
  }
  void close() override {
    if (port_) port_->close();
  }

 private:
  static SteadyTime deadline() { return std::chrono::steady_clock::now() + reply_deadline; }
  asio::awaitable<Result<std::string>> ask(std::string question) {
    if (!port_) co_return Error{Errc::port_gone, "", "closed", ""};
    const auto port = port_;
    const Result<void> sent = co_await port->write_all(question, deadline());
    if (!sent) co_return sent.error();
    while (received_.find('\r') == std::string::npos) {
      std::array<char, 256> buffer{};
      const Result<std::size_t> count = co_await port->read_some(buffer, deadline());
      if (!count) {
        if (count.error().code == Errc::port_gone) port->close();
        co_return count.error();
      }
      received_.append(buffer.data(), *count);
    }
    const std::size_t end = received_.find('\r');
    std::string line = received_.substr(0, end);
    received_.erase(0, end + 1);
    co_return line;
  }
  asio::awaitable<Result<void>> tell(std::string command) {
    const Result<std::string> text = co_await ask(command);
    if (!text) co_return text.error();
    if (*text != "OK") co_return Error{Errc::refused, "", *text, ""};
    co_return Result<void>();
  }
  asio::awaitable<Result<double>> number(std::string question) {
    const Result<std::string> text = co_await ask(question);
    if (!text) co_return text.error();
    double value = 0;
    const auto [end, problem] = std::from_chars(text->data(), text->data() + text->size(), value);
    if (problem != std::errc{} || end != text->data() + text->size()) co_return Error{Errc::garbled, "", *text, ""};
    co_return value;
  }
  asio::io_context& io_;
  ConnectionSettings settings_;
  std::shared_ptr<OpenPort> port_;
  std::string received_;
};

Result<std::unique_ptr<HeatSource>> make_naive(asio::io_context& io, ConnectionSettings settings) {
  return std::unique_ptr<HeatSource>(std::make_unique<Naive>(io, std::move(settings)));
}

// ---- an instrument behind registers that does not do as it is told ----

Mirrored spoken_by(std::shared_ptr<modbus::Server> server) {
  Mirrored out;
  out.hear = [server, received = std::make_shared<std::string>()](std::string_view bytes) {
    *received += bytes;
    return server->hear(*received);
  };
  return out;
}
std::shared_ptr<modbus::Server> furnace() {
  return std::make_shared<modbus::Server>(modbus::test::furnace(dialect::Framing::rtu));
}

Mirrored cuts_setpoints() {
  const auto server = furnace();
  server->written = [follow = server->written](modbus::Server& its, const modbus::WriteRequest& write) {
    follow(its, write);
    its.holding[16] = std::min<std::uint16_t>(its.holding[16], 200);
  };
  return spoken_by(server);
}
Mirrored refuses_writes() {
  const auto server = furnace();
  server->refuses = [](const modbus::Request& asked) {
    return std::holds_alternative<modbus::WriteRequest>(asked) ? 4 : 0;
  };
  return spoken_by(server);
}
Mirrored stays_off() {
  const auto server = furnace();
  server->written = nullptr;
  return spoken_by(server);
}
Mirrored answers_as_another_unit() {
  const auto server = furnace();
  Mirrored out;
  out.hear = [server](std::string_view bytes) {
    const std::string reply = server->answer(bytes);
    return reply.empty() ? reply : server->framed(reply.substr(1, reply.size() - 3), 0, server->unit + 1);
  };
  return out;
}

std::string without_steps(const std::string& text) {
  auto json = nlohmann::json::parse(text);
  json.erase("start_up");
  json.erase("park");
  return json.dump();
}
// The setpoint is written with the low word first and read with the high word first.
std::string with_words_mixed_up(const std::string& text) {
  auto json = nlohmann::json::parse(text);
  auto& registers = json["modbus"];
  for (const char* key : {"target", "set_target"}) {
    registers[key]["type"] = "float32";
    registers[key].erase("factor");
    registers[key]["word_order"] = key == std::string_view("target") ? "high_first" : "low_first";
  }
  return json.dump();
}

// ---- the check ----

struct Try {
  std::string dialect;
  Registry::MakeHeatSource make;
  std::string subject, condition;  // where it must fail; empty: it must pass
  std::string because;
  std::optional<double> driver_highest_c = std::nullopt;
  Mirrored (*instrument)() = nullptr;  // asked instead of the dialect's mirror
  std::optional<double> refused_c = std::nullopt;
};

Findings check(const Try& one) {
  const auto spoken = parsed(one.dialect);
  Mirror mirror = mirror_of(spoken);
  if (one.instrument != nullptr) mirror.far_side = one.instrument();
  auto line = FaultyLine::open(std::move(mirror.far_side), Duration{});
  Wishes wishes;
  wishes.lowest_c = 0;
  wishes.highest_c = 60;
  wishes.driver_highest_c = one.driver_highest_c;
  wishes.refused_c = one.refused_c;
  wishes.refuse_next = std::move(mirror.refuse_next);
  // What is looked for was found: the rest would only take time.
  bool found = false;
  wishes.told = [&](const Outcome& o) {
    found = found || (o.verdict == Verdict::failed && o.subject == one.subject && o.condition == one.condition);
  };
  wishes.stopped = [&] { return found; };
  return check_source(one.make, settings_for(one.dialect), *line.value(), wishes);
}

std::string story(const Findings& findings) {
  std::string out = summary(findings) + "\n";
  for (const Outcome& o : findings.outcomes)
    out += std::string(name(o.verdict)) + " " + o.subject + ", " + o.condition + ": " + o.happened + "\n" +
           (o.verdict == Verdict::failed ? evidence_text(o.evidence, 40) : "");
  return out;
}

void expect(const Try& one, const Findings& findings) {
  INFO(story(findings));
  if (one.subject.empty()) {
    CHECK(findings.passed());
    CHECK(findings.outcomes.size() > 40);
    CHECK(findings.count(Verdict::skipped) == (one.refused_c ? 1 : 0));
    return;
  }
  const auto at = std::find_if(findings.outcomes.begin(), findings.outcomes.end(), [&](const Outcome& o) {
    return o.subject == one.subject && o.condition == one.condition;
  });
  INFO("looked for: " << one.subject << ", " << one.condition);
  REQUIRE(at != findings.outcomes.end());
  CHECK(at->verdict == Verdict::failed);
  CHECK_THAT(at->happened, Catch::Contains(one.because));
  CHECK_FALSE(findings.passed());
}

TEST_CASE("A driver with a fault fails at the case that is there for it, and one without passes", "[conformance]") {
  const std::string plain = conformance::test::plain_bath, terse = shipped("terse-bath.json");
  const std::string registers = shipped("register-furnace.json"), no_steps = without_steps(registers);
  const char* set = "setting the target";
  const char* plainly = "unspoiled, output off";
  const auto good = drivers::registry().sources.at(dialect_driver);
  const std::vector<Try> tries = {
      {plain, good, "", "", ""},
      {terse, good, "", "", ""},
      {terse,
       good,
       "",
       "",
       "",
       {},
       nullptr,
       20'000},  // more digits than its command has: the driver refuses, and asks nobody
      {plain, make_naive, "reading the temperature", name(Spoil::late), "gave 23 as the answer"},
      {plain, make_naive, "reading the temperature", name(Spoil::twice), "gave 23"},
      {plain, with<RepeatsHeat>(), "setting the target", name(Spoil::silent), "2 times"},
      {plain, with<SaysDone>(), "setting the target", name(Spoil::looped), "but it reads"},
      {plain, with<Hangs>(), "reading the temperature", "the instrument falls silent", "did not end within"},
      {plain, with<RemembersValues>(), "reading the temperature", "the instrument falls silent", "nothing was heard"},
      {plain, with<SendsAfterPark>(), "parking", "the output is off already", "after the park"},
      {plain, with<AsksBeforeOff>(), "parking", "the output is on, the instrument falls silent", "did not go out"},
      {plain, with<GivesUpOnNonsense>(), "setting a target that cannot be", "an endless target",
       "trouble with the line"},
      {plain, make_trusting, "setting the target", "the instrument refuses", "said \"done\""},
      {plain, good, "setting a target that cannot be", "a target above the driver's highest", "sent \"SP=151.00", 150},
      {registers, good, "", "", ""},
      {with_words_mixed_up(registers), good, set, plainly, "read back"},
      {registers, good, set, plainly, "read back 20.0", {}, cuts_setpoints},
      {registers, make_trusting, set, plainly, "but it reads 20", {}, cuts_setpoints},
      {registers, good, "identity", "unspoiled", "of its start-up", {}, refuses_writes},
      {no_steps, good, set, plainly, "off said refused", {}, refuses_writes},
      {no_steps, good, "switching the output", "unspoiled", "read back off", {}, stays_off},
      {registers, good, "identity", "unspoiled", "unit", {}, answers_as_another_unit},
  };
  std::vector<std::future<Findings>> findings;
  for (const Try& one : tries) findings.push_back(std::async(std::launch::async, check, std::cref(one)));
  for (std::size_t i = 0; i < tries.size(); ++i) expect(tries[i], findings[i].get());
}

TEST_CASE("The shipped scanner's dialect passes against its own mirror", "[conformance]") {
  const std::string text = shipped("chatty-scanner.json");
  const auto run = [&text](std::optional<int> missing) {
    Mirror mirror = mirror_of(parsed(text));
    auto line = FaultyLine::open(std::move(mirror.far_side), Duration{});
    Wishes wishes;
    wishes.channels = {{101, Quantity::resistance}, {102, Quantity::resistance}};
    wishes.refuse_next = std::move(mirror.refuse_next);
    wishes.missing_address = missing;
    return check_scanner(drivers::registry().scanners.at(dialect_driver), settings_for(text), *line.value(), wishes);
  };
  auto its_own = std::async(std::launch::async, run, std::nullopt);
  auto beyond_the_dialect = std::async(std::launch::async, run, 161);
  const Findings findings = its_own.get(), refused_by_the_driver = beyond_the_dialect.get();
  INFO(story(findings) << story(refused_by_the_driver));
  CHECK(findings.passed());
  CHECK(findings.count(Verdict::skipped) == 0);
  // The instrument had no say, so nothing is proved of it, and the driver is not to blame.
  CHECK(refused_by_the_driver.passed());
  CHECK(refused_by_the_driver.count(Verdict::skipped) == 1);
}

}  // namespace
