// What stands behind a line of the simulated bench: an instrument (Station), or a wire log that is played (Replay). Bytes in,
// bytes out; it knows nothing of file descriptors.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/sim/config.hpp"

namespace nightwell::sim {

// What the command log keeps of a message.
struct Exchange {
  double received_s = 0;
  std::string line;
  std::string reply;   // what was sent, or would have been
  std::string remark;  // the fault that changed it: silent, garbage, delay
};

struct Outgoing {
  std::string bytes;
  double delay_wall_s = 0;     // from now; never before what went out earlier
  std::optional<bool> plug{};  // instead of bytes: the line is plugged in, or unplugged
};

class Respondent {
 public:
  virtual ~Respondent() = default;
  [[nodiscard]] virtual const std::string& name() const = 0;
  virtual void receive(std::string_view bytes, double now_s) = 0;
  // When the next thing is due by itself; nothing: when bytes arrive.
  [[nodiscard]] virtual std::optional<double> due_s() const = 0;
  virtual void proceed(double now_s) = 0;
  [[nodiscard]] virtual std::vector<Outgoing> take_outgoing() = 0;
  // Begins a fault ("clear": ends all). Unplug is only remembered here: unplugged().
  virtual void begin_fault(const FaultOrder& order, double now_s) = 0;
  [[nodiscard]] virtual bool unplugged() const = 0;
  // What it asked for in Outgoing::plug is done now.
  virtual void plug(bool) {}
  // The connection ended: what was under way is lost.
  virtual void cut() = 0;
};

}  // namespace nightwell::sim
