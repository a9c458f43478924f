// One instrument behind its line: bytes in, bytes out, one message after another, and the faults of the line.
//
// Knows nothing of file descriptors. Messages end as the instrument's manner has it (SCPI: LF; a CR before it is
// dropped); at most scpi::longest_line bytes, or -363 and the line is lost. A message that arrives while another is
// measured waits.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/sim/instrument.hpp"
#include "drivers/sim/manner.hpp"
#include "drivers/sim/respondent.hpp"

namespace nightwell::sim {

class Station final : public Respondent {
 public:
  using Log = std::function<void(const Exchange&)>;
  Station(std::string name, std::unique_ptr<Instrument> instrument, std::unique_ptr<Manner> manner, std::uint64_t seed,
          Log log);
  // One that speaks SCPI.
  Station(std::string name, std::unique_ptr<Instrument> instrument, std::uint64_t seed, Log log);

  [[nodiscard]] const std::string& name() const override { return name_; }
  void receive(std::string_view bytes, double now_s) override;
  // When the next thing is due by itself; nothing: when bytes arrive.
  [[nodiscard]] std::optional<double> due_s() const override;
  void proceed(double now_s) override;
  [[nodiscard]] std::vector<Outgoing> take_outgoing() override { return std::exchange(outgoing_, {}); }

  // Begins a fault ("clear": ends all). Unplug is only remembered here: unplugged().
  void begin_fault(const FaultOrder& order, double now_s) override;
  [[nodiscard]] bool unplugged() const override;
  // The connection ended: what was under way is lost. A measurement that runs is finished, and not answered.
  void cut() override;

 private:
  struct Waiting {
    double received_s = 0;
    std::string line;
  };
  struct ActiveFault {
    FaultOrder order;
    std::optional<double> until_s;
    std::optional<int> times_left;
  };
  void take_line(double now_s);
  void hear(std::string line, double now_s);
  void start_next(double now_s);
  void finish();
  void send(std::string reply, Exchange& exchange);
  void spoil(std::string& bytes, Exchange& exchange);
  void note(const std::string& fault, Exchange& exchange);  // one reply that it changed
  [[nodiscard]] std::string garbage();
  [[nodiscard]] std::uint64_t chance();  // a function of the seed and of how often it was asked
  [[nodiscard]] ActiveFault* active(const std::string& fault);
  void count(const std::string& fault);  // one reply less of a fault that is counted
  void end_faults(double now_s, const std::function<bool(const ActiveFault&)>& over);

  std::string name_;
  std::unique_ptr<Instrument> instrument_;
  std::unique_ptr<Manner> manner_;
  std::uint64_t seed_;
  Log log_;
  std::string partial_;
  bool overrun_ = false;
  std::deque<Waiting> waiting_;
  Waiting current_;
  bool abandoned_ = false;  // nobody waits for the current message's reply
  std::vector<Outgoing> outgoing_;
  std::string kept_back_;  // glued
  std::vector<ActiveFault> faults_;
  std::uint64_t garbled_ = 0;
};

}  // namespace nightwell::sim
