#include "drivers/sim/bench.hpp"

#include <algorithm>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "drivers/sim/modbus_manner.hpp"
#include "drivers/sim/replay.hpp"
#include "drivers/sim/scanner.hpp"
#include "drivers/sim/source.hpp"
#include "drivers/sim/station.hpp"

namespace nightwell::sim {

namespace {

std::unique_ptr<Manner> manner_of(const std::string& word, const InstrumentPort& port, double reading_s) {
  return word == "modbus" ? make_modbus_manner(std::holds_alternative<TcpPort>(port)) : make_manner(word, reading_s);
}

}  // namespace

Bench::Bench(Config config, std::uint64_t seed, std::filesystem::path log_folder)
    : config_(std::move(config)), world_(config_, seed), log_folder_(std::move(log_folder)), orders_(config_.faults) {
  for (const SourceConfig& source : config_.sources)
    wire(source.name, source.port, manner_of(source.manner, source.port, 0),
         std::make_unique<SimulatedSource>(source, world_), seed);
  for (const ScannerConfig& scanner : config_.scanners) {
    ScannerConfig inside = scanner;
    if (scanner.manner == "polled") inside.reading_s = 0;  // the manner counts the time, and answers meanwhile
    wire(scanner.name, scanner.port, manner_of(scanner.manner, scanner.port, scanner.reading_s),
         std::make_unique<SimulatedScanner>(inside, world_), seed);
  }
  for (const ReplayConfig& replay : config_.replays) wire_replay(replay);
}

void Bench::wire(const std::string& name, const InstrumentPort& port, std::unique_ptr<Manner> manner,
                 std::unique_ptr<Instrument> instrument, std::uint64_t seed) {
  Wired wired;
  wired.line = make_line_end(port);
  wired.log = std::make_unique<CommandLog>();
  const CommandLog* log = wired.log.get();
  wired.station = std::make_unique<Station>(name, std::move(instrument), std::move(manner), seed,
                                            [log](const Exchange& exchange) { log->write(exchange); });
  wired_.push_back(std::move(wired));
}

void Bench::wire_replay(const ReplayConfig& replay) {
  Wired wired;
  wired.line = make_line_end(replay.port);
  wired.log = std::make_unique<CommandLog>();
  const CommandLog* log = wired.log.get();
  wired.station =
      std::make_unique<Replay>(replay.name, replay.log, [log](const Exchange& exchange) { log->write(exchange); });
  wired_.push_back(std::move(wired));
}

Result<void> Bench::open() {
  if (!log_folder_.empty()) {
    if (auto written = write_truth(config_, log_folder_ / "truth.json"); !written) return written;
    for (Wired& wired : wired_)
      if (auto opened = wired.log->open(log_folder_ / (wired.station->name() + ".log")); !opened) return opened;
  }
  for (Wired& wired : wired_)
    if (auto opened = wired.line->open(); !opened) return opened;
  return {};
}

std::optional<double> Bench::due_s() const {
  std::optional<double> due;
  const auto earlier = [&](std::optional<double> at_s) {
    if (at_s && (!due || *at_s < *due)) due = at_s;
  };
  for (const Wired& wired : wired_) earlier(wired.station->due_s());
  for (const FaultOrder& order : orders_) earlier(order.at_s);
  return due;
}

std::optional<double> Bench::due_wall_s() const {
  std::optional<double> due;
  for (const Wired& wired : wired_)
    if (!wired.held.empty() && (!due || wired.held.front().until_wall_s < *due)) due = wired.held.front().until_wall_s;
  return due;
}

std::vector<Watch> Bench::watches() const {
  std::vector<Watch> out;
  for (const Wired& wired : wired_)
    for (const Watch& watch : wired.line->watches()) out.push_back(watch);
  return out;
}

void Bench::run(double now_s, double wall_s) {
  run_due(now_s, wall_s);
  world_.advance_to(now_s);
  run_lines(now_s, wall_s);
}

void Bench::run_due(double now_s, double wall_s) {
  for (std::optional<double> due = due_s(); due && *due <= now_s; due = due_s()) {
    world_.advance_to(*due);
    begin_due_faults(*due);
    for (Wired& wired : wired_) {
      const std::optional<double> own = wired.station->due_s();
      if (own && *own <= *due) wired.station->proceed(*due);
      deliver(wired, wall_s);
    }
  }
}

void Bench::begin_due_faults(double now_s) {
  for (auto order = orders_.begin(); order != orders_.end();) {
    if (order->at_s > now_s) {
      ++order;
      continue;
    }
    for (Wired& wired : wired_)
      if (wired.station->name() == order->instrument) wired.station->begin_fault(*order, now_s);
    order = orders_.erase(order);
  }
}

void Bench::run_lines(double now_s, double wall_s) {
  for (Wired& wired : wired_) {
    follow_unplug(wired);
    bool left = false;
    const std::string in = wired.line->exchange(left);
    if (left) {
      wired.station->cut();
      drop_replies(wired);
    }
    wired.station->receive(in, now_s);
    deliver(wired, wall_s);
  }
}

void Bench::follow_unplug(Wired& wired) {
  if (wired.station->unplugged() && wired.line->is_open()) {
    wired.line->close();
    wired.station->cut();
    drop_replies(wired);
  } else if (!wired.station->unplugged() && !wired.line->is_open()) {
    // A line that cannot be made anew stays cut and is tried again at the next event.
    if (const auto opened = wired.line->open(); !opened)
      std::fprintf(stderr, "%s\n", printable(opened.error().text()).c_str());
  }
}

void Bench::drop_replies(Wired& wired) {
  std::erase_if(wired.held, [](const Held& held) { return !held.out.plug; });
}

void Bench::deliver(Wired& wired, double wall_s) {
  for (Outgoing& out : wired.station->take_outgoing()) {
    double until_wall_s = wall_s + out.delay_wall_s;
    if (!wired.held.empty()) until_wall_s = std::max(until_wall_s, wired.held.back().until_wall_s);
    wired.held.push_back(Held{until_wall_s, std::move(out)});
  }
  while (!wired.held.empty() && wired.held.front().until_wall_s <= wall_s) {
    const Outgoing out = std::move(wired.held.front().out);
    wired.held.erase(wired.held.begin());
    if (out.plug) {
      wired.station->plug(*out.plug);
      follow_unplug(wired);
    } else {
      wired.line->send(out.bytes);
      wired.line->flush();
    }
  }
}

Result<void> Bench::order(const FaultOrder& fault) {
  if (auto checked = check_fault(fault, config_); !checked) return checked;
  orders_.push_back(fault);
  return {};
}

std::string Bench::truth_now(double now_s) {
  world_.advance_to(now_s);
  nlohmann::ordered_json out;
  out["ok"] = true;
  out["now_s"] = now_s;
  out["sources"] = nlohmann::ordered_json::object();
  for (const SourceConfig& source : config_.sources) {
    const Plant& plant = world_.plant(source.name);
    out["sources"][source.name] = {{"reference_position_c", plant.reference_position_c()},
                                   {"item_position_c", plant.item_position_c()},
                                   {"setpoint_c", plant.setpoint_c()},
                                   {"output", plant.output()}};
  }
  out["sensors_c"] = nlohmann::ordered_json::object();
  for (std::size_t i = 0; i < config_.sensors.size(); ++i)
    out["sensors_c"][config_.sensors[i].name] = world_.sensor_c(i);
  return out.dump();
}

}  // namespace nightwell::sim
