// What a scanner and a heat source have in common: SCPI messages in, replies out, some of them only after a
// measuring time.
//
// A message is begun at a simulated time. It is then either done, or busy until `due_s()`, when somebody
// calls proceed(), as often as it takes. The world must have reached the time of the call. One message at a
// time.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "drivers/sim/config.hpp"
#include "drivers/sim/scpi.hpp"
#include "drivers/sim/world.hpp"
#include "nightwell/quantity.hpp"

namespace nightwell::sim {

struct Measurement {
  Quantity quantity = Quantity::temperature;
  std::vector<int> channels;  // read one after another, each takes the reading time
};

// What a command comes to: nothing to say, a text, readings to be taken, or an error.
using Answer = std::variant<std::monostate, std::string, Measurement, scpi::Code>;

class Instrument {
 public:
  Instrument(std::string identity, double reading_s);
  virtual ~Instrument() = default;
  Instrument(const Instrument&) = delete;
  Instrument& operator=(const Instrument&) = delete;

  void begin(const std::string& line, double now_s);
  [[nodiscard]] bool busy() const { return measuring_.has_value(); }
  [[nodiscard]] double due_s() const { return due_s_; }  // while busy
  void proceed();
  // The reply of the finished message without its terminator; empty: no reply.
  [[nodiscard]] std::string take_reply() { return std::exchange(reply_, {}); }

  // Power off and on: messages, registers and errors are gone.
  void power_cycle(const FaultOrder& order, double now_s);
  // A line that was longer than the input buffer.
  void overrun() { status_.raise(scpi::Code::input_overrun); }
  // A fault of the instrument or its sensors begins or ends. Line faults are the station's.
  virtual void set_fault(const FaultOrder& order, bool active, double now_s) = 0;

 protected:
  using Handler = std::function<Answer(const scpi::Unit&, double now_s)>;
  void add(std::string_view header, Handler handler);

  // One reading; SCPI's special numbers where there is none.
  [[nodiscard]] virtual double measure(Quantity quantity, int channel, double at_s) = 0;
  virtual void reset(double now_s) = 0;  // *RST
  virtual void power_on(const FaultOrder& order, double now_s) = 0;

 private:
  struct Running {
    std::vector<std::variant<scpi::Unit, scpi::Code>> units;
    std::size_t at = 0;
    std::vector<std::string> path;
  };
  struct Measuring {
    Measurement what;
    std::size_t at = 0;
    std::string text;
  };
  void add_common_commands();
  void run(double now_s);  // until the message is done or has to wait
  [[nodiscard]] bool run_unit(double now_s);
  void respond(const std::string& text);
  [[nodiscard]] const Handler* find(const std::vector<std::string>& nodes, bool query) const;

  std::string identity_;
  double reading_s_;
  scpi::Status status_;
  std::vector<std::pair<scpi::Header, Handler>> commands_;
  Running running_;
  std::optional<Measuring> measuring_;
  double due_s_ = 0;
  std::string reply_;
};

// Checks of how many parameters there are.
[[nodiscard]] scpi::Code count_parameters(const scpi::Unit& unit, std::size_t fewest, std::size_t most);

}  // namespace nightwell::sim
