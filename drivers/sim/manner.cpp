#include "drivers/sim/manner.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <cstdio>
#include <map>
#include <optional>

#include "drivers/sim/scpi.hpp"

namespace nightwell::sim {
namespace {

class ScpiManner final : public Manner {
 public:
  std::string understood(const std::string& line, double) override { return line; }
  std::string said(const std::string&, const std::string& reply) override { return reply.empty() ? "" : reply + "\n"; }
};

std::optional<double> number_in(const std::string& text) {
  const auto value = scpi::number(text);
  const double* number = std::get_if<double>(&value);
  return number == nullptr ? std::nullopt : std::optional<double>(*number);
}

std::string fixed(const char* format, double value) {
  std::array<char, 64> text{};
  const int size = std::snprintf(text.data(), text.size(), format, value);
  return std::string(text.data(), static_cast<std::size_t>(size));
}

// ---- terse ----

std::string terse_sum(std::string_view body) {
  unsigned sum = 0;
  for (const char c : body) sum ^= static_cast<unsigned char>(c);
  std::array<char, 8> text{};
  std::snprintf(text.data(), text.size(), "*%02X", sum);
  return text.data();
}

class TerseManner final : public Manner {
 public:
  [[nodiscard]] char message_end() const override { return '\r'; }

  std::string understood(const std::string& line, double) override {
    answer_.clear();
    const std::size_t star = line.rfind('*');
    const std::string body = line.substr(0, star);
    if (star == std::string::npos || line.substr(star) != terse_sum(body)) return refuse("N1");
    return command(body);
  }

  std::string said(const std::string& line, const std::string& reply) override {
    std::string body = answer_;
    if (body.empty()) body = from_scpi(line.front(), line, reply);
    return body + terse_sum(body) + "\r";
  }

  void power_on() override { remote_ = standby_ = false; }

 private:
  std::string refuse(const char* reason) {
    answer_ = reason;
    return "";
  }
  std::string done(std::string answer) {
    answer_ = std::move(answer);
    return "";
  }

  std::string command(const std::string& body) {
    if (body == "I?") return "*IDN?";
    if (body == "S?") return "TEMP:SPO?";
    if (body == "T?") return "MEAS:TEMP?";
    if (body == "H?") return "OUTP?";
    if (body == "R?") return done(remote_ ? "R1" : "R0");
    if (body == "P?") return done(standby_ ? "P1" : "P0");
    if (body == "R1") return remote_ = true, done("A");
    if (body == "P1") return standby_ = true, done("A");
    if (body == "H0") return "OUTP 0;:SYST:ERR?";
    if (!remote_) return refuse("N3");
    if (body == "H1") return standby_ = false, "OUTP 1;:SYST:ERR?";
    if (body.size() == 8 && body.front() == 'S' && number_in(body.substr(1)))
      return "TEMP:SPO " + body.substr(1) + ";:SYST:ERR?";
    return refuse("N4");
  }

  static std::string from_scpi(char letter, const std::string& line, const std::string& reply) {
    if (line.size() < 2 || line[1] != '?') return reply.starts_with("0,") ? "A" : "N2";
    if (letter == 'I') return "I " + reply;
    if (letter == 'H') return "H" + reply;
    const auto value = number_in(reply);
    return value ? letter + fixed("%+07.2f", *value) : "N2";
  }

  std::string answer_;  // to a line that needs no SCPI
  bool remote_ = false, standby_ = false;
};

// ---- chatty ----

struct Measure {
  const char* scpi;
  double factor;  // of the reply
  const char* format;
};

const Measure* measure_of(const std::string& word) {
  static const std::map<std::string, Measure> measures = {{"volt", {"MEAS:VOLT?", 1e3, "%.6f mV"}},
                                                          {"ohm", {"MEAS:FRES?", 1, "%.6f Ohm"}},
                                                          {"amp", {"MEAS:CURR?", 1e3, "%.7f mA"}},
                                                          {"temp", {"MEAS:TEMP?", 1, "%.4f C"}}};
  const auto found = measures.find(word);
  return found == measures.end() ? nullptr : &found->second;
}

class ChattyManner final : public Manner {
 public:
  [[nodiscard]] std::string line_echo(const std::string& line) const override { return line + "\r\n"; }
  [[nodiscard]] std::string line_prompt() const override { return "> "; }
  std::string understood(const std::string& line, double) override {
    measure_ = nullptr;
    channel_.clear();
    if (line == "who") return "*IDN?";
    if (line.starts_with("read ")) {
      const std::size_t blank = line.rfind(' ');
      measure_ = blank > 5 ? measure_of(line.substr(5, blank - 5)) : nullptr;
      channel_ = line.substr(blank + 1);
    }
    return measure_ == nullptr ? "" : std::string(measure_->scpi) + " (@" + channel_ + ")";
  }

  std::string said(const std::string& line, const std::string& reply) override {
    std::string out = line_echo(line);
    if (line == "who")
      out += "I am " + reply + "\r\n";
    else if (measure_ != nullptr)
      out += reading(reply) + "\r\n";
    else if (!line.starts_with("wires "))
      out += "? I do not know that\r\n";
    out += line_prompt();
    if (++lines_ % 10 == 0) out += "# " + std::to_string(lines_) + " commands so far\r\n";
    return out;
  }

 private:
  [[nodiscard]] std::string reading(const std::string& reply) const {
    const auto value = number_in(reply);
    if (!value) return "? there is no such channel";
    const std::string name = channel_ + ": ";
    if (std::abs(*value) == scpi::not_a_number) return name + "OPEN " + unit();
    if (std::abs(*value) == scpi::infinity) return name + "OVER " + unit();
    std::string text = fixed(measure_->format, *value * measure_->factor);
    text[text.find('.')] = ',';
    return name + text;
  }
  [[nodiscard]] std::string unit() const {
    const std::string format = measure_->format;
    return format.substr(format.find(' ') + 1);
  }

  const Measure* measure_ = nullptr;
  std::string channel_;
  long lines_ = 0;
};

// ---- polled ----

struct PolledMeasure {
  const char* scpi;
  const char* unit;
};

const PolledMeasure* polled_measure(const std::string& word) {
  static const std::map<std::string, PolledMeasure> measures = {{"volt", {"MEAS:VOLT?", " V"}},
                                                                {"ohm", {"MEAS:FRES?", " ohm"}},
                                                                {"amp", {"MEAS:CURR?", " A"}},
                                                                {"temp", {"MEAS:TEMP?", " C"}}};
  const auto found = measures.find(word);
  return found == measures.end() ? nullptr : &found->second;
}

class PolledManner final : public Manner {
 public:
  explicit PolledManner(double reading_s) : reading_s_(reading_s) {}

  std::string understood(const std::string& line, double now_s) override {
    answer_.clear();
    if (line == "id?") return "*IDN?";
    if (line == "state?") return answer("state " + std::to_string(state(now_s)));
    if (line == "value?") return answer(state(now_s) == ready ? reading_ : "no: nothing is ready");
    const std::size_t blank = line.rfind(' ');
    if (!line.starts_with("take ") || blank <= 5) return answer("no: I do not know that");
    measure_ = polled_measure(line.substr(5, blank - 5));
    channel_ = line.substr(blank + 1);
    reading_.clear();
    ready_s_ = now_s + reading_s_;
    return measure_ == nullptr ? answer("no: I do not measure that") : measure_->scpi + (" (@" + channel_ + ")");
  }

  std::string said(const std::string& line, const std::string& reply) override {
    if (!answer_.empty()) return answer_ + "\n";
    if (line == "id?") return "id " + reply + "\n";
    const auto value = number_in(reply);
    if (!value) return "no: there is no such channel\n";
    reading_ = channel_ + " " + number_text(*value) + measure_->unit;
    return "taking " + channel_ + "\n";
  }

  void power_on() override { reading_.clear(); }

 private:
  static constexpr int ready = 1, measuring = 2;

  [[nodiscard]] int state(double now_s) const {
    if (reading_.empty()) return 0;
    return now_s >= ready_s_ ? ready : measuring;
  }
  static std::string number_text(double value) {
    if (std::abs(value) == scpi::not_a_number) return "OPEN";
    if (std::abs(value) == scpi::infinity) return "OVER";
    return fixed("%+.9e", value);
  }
  std::string answer(std::string text) {
    answer_ = std::move(text);
    return "";
  }

  double reading_s_;
  const PolledMeasure* measure_ = nullptr;
  std::string channel_, reading_, answer_;  // the reading as it will be said; empty: none was begun
  double ready_s_ = 0;
};

}  // namespace

std::unique_ptr<Manner> make_manner(std::string_view word, double reading_s) {
  if (word == "scpi") return std::make_unique<ScpiManner>();
  if (word == "terse") return std::make_unique<TerseManner>();
  if (word == "chatty") return std::make_unique<ChattyManner>();
  if (word == "polled") return std::make_unique<PolledManner>(reading_s);
  return nullptr;
}

}  // namespace nightwell::sim
