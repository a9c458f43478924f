// A line with a fault in the middle: the driver under check talks to a port that we made, and everything goes on to the
// instrument's real port, or to a mirror of a dialect. On request what the instrument says is spoiled on its way to
// the driver. Works on bytes alone, so it serves any driver; and it sees every byte that the driver sends.
//
//   driver  <->  our pty or TCP port on 127.0.0.1  <->  FaultyLine  <->  the instrument
//
// A *reply* is what the instrument says between one command of the driver and the next. Bytes that the driver sends
// with no answer between them and no pause of `settle` are one command. A spoiled reply is held until the instrument has
// been quiet for `settle`; one that is not spoiled passes at once.
//
// It has a thread of its own, so that a driver that blocks is served too. All members may be called from any other thread; each
// first waits until that thread has seen what both sides had sent by then, however busy the machine is.
// Errors: open(): port_gone, port_busy, port_settings (the instrument's port, as in open_port.hpp), unexpected (no port
// of our own to be had). Once open it has none: an instrument that hangs up is unplugged for the driver too, for good.
#pragma once

#include <chrono>
#include <functional>
#include <memory>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "nightwell/port.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::conformance {

enum class Spoil {
  none,
  silent,        // nothing comes
  garbage,       // as many bytes, none of them the reply's but its last one
  cut_short,     // its first half
  split,         // whole, in up to eight pieces with pauses
  late,          // with the next command
  twice,         // a second copy right behind it
  old_in_front,  // the reply to an earlier command right before it
  echo,          // the command first, then the reply
  looped,        // the line is short-circuited: the command comes back, and the instrument hears nothing
  unplugged,     // the command goes out, then the port hangs up; it is back, as another one, after `away`
};
[[nodiscard]] const char* name(Spoil spoil);

struct Passage {
  enum class Way { to_instrument, kept_from_instrument, from_instrument, to_driver, note };
  Way way = Way::note;
  std::string bytes;
};

// Speaks for the instrument: bytes in, bytes out at once. Called on the line's thread.
struct Mirrored {
  std::function<std::string(std::string_view)> hear;
  bool on_tcp = false;  // the driver gets a TCP port, not a pty
};
using FarSide = std::variant<Port, Mirrored>;

inline constexpr Duration settle{25'000};
inline constexpr Duration away{300'000};

class FaultyLine {
 public:
  // `within`: of connecting to a TCP instrument.
  [[nodiscard]] static Result<std::unique_ptr<FaultyLine>> open(FarSide far_side, Duration within);
  ~FaultyLine();
  FaultyLine(const FaultyLine&) = delete;
  FaultyLine& operator=(const FaultyLine&) = delete;

  // What the driver under check is given: TCP where the instrument's is, otherwise a pty.
  [[nodiscard]] Port near_port() const;

  // From the next command on, so many replies; 0: until clear().
  void spoil(Spoil how, int replies);
  void clear();
  // A dam: what the driver sends is seen but goes no further.
  void dam(bool closed);

  // How much has passed; what passed since.
  [[nodiscard]] std::size_t mark() const;
  [[nodiscard]] std::vector<Passage> since(std::size_t mark) const;

 private:
  struct Core;
  explicit FaultyLine(std::unique_ptr<Core> core);
  std::unique_ptr<Core> core_;
};

}  // namespace nightwell::conformance
