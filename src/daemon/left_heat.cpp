#include "daemon/left_heat.hpp"

#include <spdlog/spdlog.h>

#include <algorithm>
#include <chrono>
#include <utility>

#include "daemon/unclosed_run.hpp"
#include "guardian/client.hpp"
#include "guardian/setup_file.hpp"

namespace nightwell::daemon {

namespace {

constexpr int most_guardians = 3;
constexpr int patient_looks = 60;  // at a guardian of the run's own

std::filesystem::path guardian_log(const std::filesystem::path& folder, const std::string& source) {
  return folder / ("guardian-" + source + ".log");
}

}  // namespace

struct LeftHeat::Source {
  std::string run, name;
  guardian::Settings settings;
  std::unique_ptr<guardian::Client> client;
  int guardians = 0;
  bool off = false, given_up = false, told = false;
  int unproved = 0, looks_at_another = 0;

  [[nodiscard]] bool over() const { return !client && (off || given_up); }

  // What its guardian says.
  void hear(const guardian::Report& report,
            const std::function<void(const std::string&, const std::string&)>& not_off) {
    if (const auto* parked = std::get_if<guardian::Parked>(&report)) {
      if (parked->confirmed) return proved(parked->text);
      // The first report says that the park begins.
      if (++unproved == 1) return;
      fail("is not proved to be off: " + parked->text, not_off);
    } else if (const auto* lost = std::get_if<guardian::Lost>(&report)) {
      if (!off) spdlog::critical("run {}: the guardian of {} {}", run, name, lost->text);
    } else if (const auto* fault = std::get_if<guardian::Fault>(&report)) {
      spdlog::warn("run {}: {}: {}", run, name, fault->error.text());
    }
  }
  void proved(const std::string& text) {
    if (std::exchange(off, true)) return;
    spdlog::warn("run {}: {} is switched off: {}", run, name, text);
    client->close();
  }
  void fail(const std::string& what, const std::function<void(const std::string&, const std::string&)>& not_off) {
    spdlog::critical("run {}: {} {}", run, name, what);
    if (!std::exchange(told, true)) not_off(run, name + " " + what);
  }
};

LeftHeat::LeftHeat(asio::io_context& io, std::filesystem::path guardian,
                   std::function<void(const std::string&, const std::string&)> not_off,
                   std::chrono::milliseconds between_looks)
    : io_(io),
      guardian_(std::move(guardian)),
      not_off_(std::move(not_off)),
      between_looks_(between_looks),
      timer_(io) {}
LeftHeat::~LeftHeat() = default;

Result<void> LeftHeat::take(const std::string& run, const std::filesystem::path& folder, const std::string& source) {
  const auto log = guardian_log(folder, source);
  auto setup = guardian::kept_setup(log);
  if (!setup) return setup.error();
  auto one = std::make_unique<Source>();
  one->run = run;
  one->name = source;
  one->settings.connection = std::move(setup->connection);
  one->settings.connection.wire_log.clear();  // the first guardian's is there
  one->settings.limits = setup->limits;
  one->settings.limits.heated_before = true;
  one->settings.speed = setup->speed;
  one->settings.program = guardian_;
  one->settings.log = log;
  sources_.push_back(std::move(one));
  if (sources_.size() == 1) look_after(std::chrono::milliseconds(0));
  return {};
}

void LeftHeat::look() {
  for (auto& source : sources_) {
    if (source->client && source->client->gone()) source->client.reset();
    if (source->client || source->over()) continue;
    if (guardian::is_written(source->settings.log)) {
      if (++source->looks_at_another == patient_looks)
        source->fail("is not proved to be off: its guardian still tries, guardian-" + source->name + ".log says why",
                     not_off_);
      continue;
    }
    if (last_seen_in(source->settings.log) == LastSeen::off) {
      source->off = true;
      spdlog::info("run {}: {} was seen off by its guardian", source->run, source->name);
      continue;
    }
    if (source->guardians == most_guardians) {
      source->given_up = true;
      source->fail("could not be switched off: " + std::to_string(most_guardians) +
                       " guardians ended before it was: switch it off by hand now",
                   not_off_);
      continue;
    }
    ++source->guardians;
    auto started = guardian::Client::start(io_, source->settings,
                                           [this, raw = source.get()](const auto& said) { raw->hear(said, not_off_); });
    if (!started) {
      source->given_up = true;
      source->fail("cannot be switched off: " + started.error().text() + ": switch it off by hand now", not_off_);
      continue;
    }
    source->client = std::move(started).value();
    source->client->park("run " + source->run + " ended without closing, and nobody has seen the source off");
  }
  std::erase_if(sources_, [](const auto& source) { return source->over(); });
}

std::optional<std::string> LeftHeat::run_at(const Port& port) const {
  const auto found = std::find_if(sources_.begin(), sources_.end(), [&](const auto& source) {
    return port_name(source->settings.connection.port) == port_name(port);
  });
  if (found == sources_.end()) return std::nullopt;
  return (*found)->run;
}

void LeftHeat::look_after(std::chrono::milliseconds pause) {
  timer_.expires_after(pause);
  timer_.async_wait([this](const asio::error_code& error) {
    if (error) return;
    look();
    if (!sources_.empty()) look_after(between_looks_);
  });
}

}  // namespace nightwell::daemon
