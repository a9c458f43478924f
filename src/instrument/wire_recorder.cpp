#include "instrument/wire_recorder.hpp"

#include <algorithm>
#include <chrono>
#include <ctime>
#include <utility>

#include "instrument/log_writer.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::instrument {

namespace {

using std::chrono::milliseconds;
using wire_log::escaped;

constexpr std::chrono::seconds between_stamps{1};

std::string utc_milliseconds() {
  const auto since = std::chrono::floor<milliseconds>(std::chrono::system_clock::now()).time_since_epoch().count();
  const auto seconds = static_cast<std::time_t>(since / 1000);
  std::tm parts{};
  ::gmtime_r(&seconds, &parts);
  char text[40];
  std::size_t size = std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S.", &parts);
  const std::string thousandths = std::to_string(1000 + since % 1000);
  return std::string(text, size) + thousandths.substr(1) + "Z";
}

std::string described(const Port& port) {
  const auto* serial = std::get_if<SerialPort>(&port);
  if (serial == nullptr) return port_name(port);
  return port_name(port) + ", " + std::to_string(serial->baud) + " baud, " + std::to_string(serial->data_bits) +
         " bits, parity " + serial->parity + ", stop bits " + std::to_string(serial->stop_bits) + ", flow " +
         serial->flow;
}

// The name inside a dialect's JSON as the plan froze it (compact, so the key stands once at the top); the whole is in the
// journal.
std::string dialect_name(const std::string& json) {
  constexpr std::string_view key = "\"dialect\":\"";
  const std::size_t at = json.find(key);
  if (at == std::string::npos) return "";
  const std::size_t begin = at + key.size();
  return json.substr(begin, json.find('"', begin) - begin);
}

}  // namespace

WireRecorder::WireRecorder(const ConnectionSettings& settings, World world) : world_(std::move(world)) {
  spoke_ = rested_ = stamped_ = tried_ = world_.now();
  line("# ", "recorded by nightwell " NIGHTWELL_VERSION " from " + world_.utc() + ": " + settings.name + " on " +
                 described(settings.port) + ". Times are the host's.");
  if (!settings.driver.empty()) line("% ", "driver " + settings.driver);
  if (const std::string name = dialect_name(settings.dialect); !name.empty()) line("% ", "dialect " + name);
  if (!settings.identity.empty()) line("% ", "identity " + settings.identity);
  line("% ", "reply_ms " + std::to_string(std::chrono::ceil<milliseconds>(settings.reply).count()));
}

void WireRecorder::line(std::string_view mark, std::string_view text) {
  std::string whole(mark);
  // Only bytes of the line may hold a line end, and theirs are escaped already.
  for (const char c : text) whole += static_cast<unsigned char>(c) < ' ' ? ' ' : c;
  world_.write(whole);
}

void WireRecorder::stamp() {
  if (world_.now() - stamped_ < between_stamps) return;
  stamped_ = world_.now();
  line("# ", world_.utc());
}

void WireRecorder::wait_until(SteadyTime moment) {
  const auto wait = std::chrono::floor<milliseconds>(moment - spoke_);
  if (wait <= milliseconds(0)) return;
  line("@", std::to_string(wait.count()));
  spoke_ += wait;
}

void WireRecorder::called(std::string_view call) {
  stamp();
  const auto idle = std::chrono::floor<milliseconds>(world_.now() - rested_);
  if (any_call_ && idle > milliseconds(0)) line(": ", "wait_ms " + std::to_string(idle.count()));
  any_call_ = true;
  closed_since_called_ = false;
  line(": ", call);
}

void WireRecorder::gave(std::string_view result) {
  rested_ = world_.now();
  if (closed_since_called_ && result.starts_with("error port_gone"))
    remark("cut short: " + std::string(result));
  else
    line("= ", escaped(result));
}

void WireRecorder::remark(std::string_view text) {
  line("# ", escaped(text));
}

void WireRecorder::sent(std::string_view bytes) {
  spoke_ = world_.now();
  line("> ", escaped(bytes));
}

void WireRecorder::not_sent(std::string_view bytes, const Error& error) {
  remark("not sent, or not all of it: \"" + std::string(bytes) + "\": " + error.text());
}

void WireRecorder::received(std::string_view bytes, SteadyTime deadline) {
  wait_until(std::min(world_.now(), deadline));
  line("< ", escaped(bytes));
}

void WireRecorder::found(std::string_view bytes) {
  wait_until(middle_since_spoken());
  line("< ", escaped(bytes));
}

SteadyTime WireRecorder::middle_since_spoken() const {
  return spoke_ + (world_.now() - spoke_) / 2;
}

void WireRecorder::opened() {
  const SteadyTime now = world_.now();
  if (std::exchange(unplugged_, false)) {
    const SteadyTime absent = std::max(tried_, spoke_);  // known to be away
    wait_until(absent + (now - absent) / 2);
    line("!", "open");
    return;
  }
  if (std::exchange(was_opened_, true)) line("# ", "opened again");
  spoke_ = now;
}

void WireRecorder::not_opened(const Error& error) {
  tried_ = world_.now();
  remark("not opened: " + error.text());
}

void WireRecorder::hung_up(bool lay_there) {
  wait_until(lay_there ? middle_since_spoken() : world_.now());
  line("!", "eof");
  unplugged_ = true;
}

void WireRecorder::closed() {
  closed_since_called_ = true;
  line("# ", "closed");
}

std::shared_ptr<WireRecorder> make_recorder(const ConnectionSettings& settings) {
  if (settings.wire_log.empty()) return nullptr;
  const auto writer = std::make_shared<LogWriter>(settings.wire_log, LogWriter::Limits());
  WireRecorder::World world;
  world.write = [writer](std::string_view line) { writer->add(line); };
  world.finish = [writer](milliseconds patience) { return writer->finish(patience); };
  world.now = [] { return std::chrono::steady_clock::now(); };
  world.utc = utc_milliseconds;
  return std::make_shared<WireRecorder>(settings, std::move(world));
}

}  // namespace nightwell::instrument
