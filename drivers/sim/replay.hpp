// An instrument that is a wire log: it answers what the log says to the bytes that the log says.
//
// The message that arrives is looked for from where the log stands, and round its end; what stands behind it there, up to
// the next message, is the answer, with its waits (real time, as the log's), its pieces and its unplugging. So a log of one
// round serves a program that asks a hundred. A message that the log does not have is answered by nothing, and told in the
// command log. What the instrument says in the log before the first message is said when the line is there.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "drivers/sim/respondent.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::sim {

class Replay final : public Respondent {
 public:
  using Log = std::function<void(const Exchange&)>;
  Replay(std::string name, const wire_log::WireLog& written, Log log);

  [[nodiscard]] const std::string& name() const override { return name_; }
  void receive(std::string_view bytes, double now_s) override;
  [[nodiscard]] std::optional<double> due_s() const override { return std::nullopt; }
  void proceed(double) override {}
  [[nodiscard]] std::vector<Outgoing> take_outgoing() override { return std::exchange(outgoing_, {}); }
  void begin_fault(const FaultOrder&, double) override {}  // a log has its own
  [[nodiscard]] bool unplugged() const override { return unplugged_; }
  void plug(bool in) override { unplugged_ = !in; }
  void cut() override { heard_.clear(); }

 private:
  struct Entry {
    std::string message;
    std::vector<Outgoing> answer;  // delays from the message on
  };
  [[nodiscard]] const Entry* find_next();
  [[nodiscard]] bool may_go_on() const;
  [[nodiscard]] std::size_t end_of_unknown() const;
  void answer(const Entry& entry, double now_s);

  std::string name_;
  Log log_;
  std::vector<Entry> entries_;
  std::size_t next_ = 0;
  std::string heard_;
  std::optional<char> message_end_;  // the byte with which all messages end
  std::vector<Outgoing> outgoing_;
  bool unplugged_ = false;
};

}  // namespace nightwell::sim
