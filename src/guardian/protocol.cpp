#include "guardian/protocol.hpp"

#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

#include "guardian/text.hpp"

namespace nightwell::guardian {
namespace {

using Json = nlohmann::ordered_json;

constexpr double longest_time_s = 1e9;
constexpr double highest_speed = 1e6;

// ---- writing ----

std::string dump(const Json& json) {
  return json.dump(-1, ' ', true, Json::error_handler_t::replace) + "\n";
}

Json port_json(const Port& port) {
  return std::visit(Overload{[](const SerialPort& p) {
                               return Json{{"type", "serial"},         {"path", p.path},     {"baud", p.baud},
                                           {"data_bits", p.data_bits}, {"parity", p.parity}, {"stop_bits", p.stop_bits},
                                           {"flow", p.flow},           {"dtr", p.dtr},       {"rts", p.rts}};
                             },
                             [](const TcpPort& p) {
                               return Json{{"type", "tcp"}, {"host", p.host}, {"port", p.port}};
                             },
                             [](const PtyPort& p) {
                               return Json{{"type", "pty"}, {"path", p.path}};
                             }},
                    port);
}

Json program_json(const DriverProgram& program) {
  if (program.path.empty()) return nullptr;
  return Json{
      {"file", program.file}, {"path", program.path}, {"arguments", program.arguments}, {"sha256", program.sha256}};
}

Json connection_json(const instrument::ConnectionSettings& connection) {
  return Json{{"name", connection.name},
              {"driver", connection.driver},
              {"port", port_json(connection.port)},
              {"reply_s", to_seconds(connection.reply)},
              {"identity", connection.identity},
              {"dialect", connection.dialect.empty() ? Json(nullptr) : Json::parse(connection.dialect, nullptr, false)},
              {"program", program_json(connection.program)},
              {"wire_log", connection.wire_log}};
}

Json limits_json(const Limits& limits) {
  return Json{{"lowest_c", limits.lowest_c},
              {"highest_c", limits.highest_c},
              {"safe_c", limits.safe_c},
              {"absolute_highest_c", limits.absolute_highest_c},
              {"lease_s", to_seconds(limits.lease)},
              {"poll_s", to_seconds(limits.poll)},
              {"stale_s", to_seconds(limits.stale)},
              {"heating_window_s", to_seconds(limits.heating_window)},
              {"heating_gain_k", limits.heating_gain_k},
              {"readback_tolerance_k", limits.readback_tolerance_k},
              {"heated_before", limits.heated_before}};
}

Json ask(const char* word) {
  return Json{{"v", protocol_version}, {"ask", word}};
}
Json saying(const char* word) {
  return Json{{"v", protocol_version}, {"say", word}};
}

void put_status(Json& json, const Status& status) {
  json["target_c"] = status.target_c;
  json["temperature_c"] = status.temperature_c;
  json["output"] = status.output;
  json["lease_left_s"] = status.lease_left_s;
}

// ---- reading ----

// The fields of one object. The first thing wrong is kept; what is read after it is of no use to anybody.
class Fields {
 public:
  Fields(const Json& json, std::string place) : json_(json), place_(std::move(place)) {
    if (!json_.is_object()) fail("is not an object");
  }

  double number(const char* key) {
    const Json* at = find(key);
    if (!at) return 0;
    if (!at->is_number()) return fail_at(key, "is not a number"), 0;
    const double value = at->get<double>();
    if (!std::isfinite(value)) return fail_at(key, "is not finite"), 0;
    return value;
  }
  Duration time(const char* key) {
    const double value = number(key);
    if (std::abs(value) > longest_time_s) return fail_at(key, "is too long"), Duration{};
    return from_seconds(value);
  }
  int whole(const char* key) {
    const Json* at = find(key);
    if (!at) return 0;
    if (!at->is_number_integer()) return fail_at(key, "is not a whole number"), 0;
    const auto value = at->get<std::int64_t>();
    if (value < 0 || value > 100'000'000) return fail_at(key, "is out of range"), 0;
    return static_cast<int>(value);
  }
  bool flag(const char* key) {
    const Json* at = find(key);
    if (!at) return false;
    if (!at->is_boolean()) return fail_at(key, "is not true or false"), false;
    return at->get<bool>();
  }
  std::string text(const char* key) {
    const Json* at = find(key);
    if (!at) return {};
    if (!at->is_string()) return fail_at(key, "is not a text"), std::string();
    return at->get<std::string>();
  }
  const Json& object(const char* key) {
    static const Json nothing = Json::object();
    const Json* at = find(key);
    return at ? *at : nothing;
  }

  std::vector<std::string> texts(const char* key) {
    std::vector<std::string> out;
    const Json* at = find(key);
    if (!at) return out;
    if (!at->is_array()) return fail_at(key, "is no list"), out;
    for (const Json& text : *at) {
      if (!text.is_string()) return fail_at(key, "is no list of texts"), out;
      out.push_back(text.get<std::string>());
    }
    return out;
  }

  // A whole document inside the message, as compact JSON in ASCII; empty where it is null.
  std::string document(const char* key) {
    const Json* at = find(key);
    if (!at || at->is_null()) return {};
    if (!at->is_object()) return fail_at(key, "is neither null nor an object"), std::string();
    return at->dump(-1, ' ', true, Json::error_handler_t::replace);
  }

  void fail_at(const std::string& key, const std::string& what) { fail("\"" + key + "\" " + what); }
  void take(const std::optional<Error>& error) {
    if (!error_) error_ = error;
  }
  [[nodiscard]] const std::optional<Error>& error() const { return error_; }

 private:
  const Json* find(const char* key) {
    if (error_ || !json_.is_object()) return nullptr;
    const auto at = json_.find(key);
    if (at == json_.end()) return fail_at(key, "is missing"), nullptr;
    return &*at;
  }
  void fail(const std::string& detail) {
    if (!error_) error_ = Error{Errc::bad_input, "reading a guardian message", place_ + ": " + detail, ""};
  }

  const Json& json_;
  std::string place_;
  std::optional<Error> error_;
};

Port read_port(Fields& outer) {
  Fields in(outer.object("port"), "port");
  const std::string type = in.text("type");
  Port port;
  if (type == "serial") {
    SerialPort serial;
    serial.path = in.text("path");
    serial.baud = in.whole("baud");
    serial.data_bits = in.whole("data_bits");
    serial.parity = in.text("parity");
    serial.stop_bits = in.whole("stop_bits");
    serial.flow = in.text("flow");
    serial.dtr = in.text("dtr");
    serial.rts = in.text("rts");
    port = serial;
  } else if (type == "tcp") {
    TcpPort tcp;
    tcp.host = in.text("host");
    tcp.port = in.whole("port");
    port = tcp;
  } else if (type == "pty") {
    port = PtyPort{in.text("path")};
  } else {
    in.fail_at("type", "is none of serial, tcp, pty");
  }
  outer.take(in.error());
  return port;
}

DriverProgram read_program(Fields& outer) {
  DriverProgram program;
  const Json& json = outer.object("program");
  if (json.is_null() || outer.error()) return program;
  Fields in(json, "program");
  program.file = in.text("file");
  program.path = in.text("path");
  program.arguments = in.texts("arguments");
  program.sha256 = in.text("sha256");
  if (program.path.empty() || program.path.front() != '/') in.fail_at("path", "is not absolute");
  outer.take(in.error());
  return program;
}

instrument::ConnectionSettings read_connection(Fields& outer) {
  Fields in(outer.object("connection"), "connection");
  instrument::ConnectionSettings connection;
  connection.name = in.text("name");
  connection.driver = in.text("driver");
  connection.port = read_port(in);
  connection.reply = in.time("reply_s");
  connection.identity = in.text("identity");
  connection.dialect = in.document("dialect");
  connection.wire_log = in.text("wire_log");
  connection.program = read_program(in);
  if (connection.reply <= Duration::zero()) in.fail_at("reply_s", "is not positive");
  outer.take(in.error());
  return connection;
}

Limits read_limits(Fields& outer) {
  Fields in(outer.object("limits"), "limits");
  Limits limits;
  limits.lowest_c = in.number("lowest_c");
  limits.highest_c = in.number("highest_c");
  limits.safe_c = in.number("safe_c");
  limits.absolute_highest_c = in.number("absolute_highest_c");
  limits.lease = in.time("lease_s");
  limits.poll = in.time("poll_s");
  limits.stale = in.time("stale_s");
  limits.heating_window = in.time("heating_window_s");
  limits.heating_gain_k = in.number("heating_gain_k");
  limits.readback_tolerance_k = in.number("readback_tolerance_k");
  limits.heated_before = in.flag("heated_before");
  outer.take(in.error());
  return limits;
}

Request read_setup(Fields& in) {
  Setup setup;
  setup.connection = read_connection(in);
  setup.limits = read_limits(in);
  setup.speed = in.number("speed");
  setup.log = in.text("log");
  if (!(setup.speed > 0) || setup.speed > highest_speed) in.fail_at("speed", "is not above 0 and at most 1000000");
  return setup;
}

Request read_lease(Fields& in) {
  LeaseRequested lease;
  lease.target_c = in.number("target_c");
  lease.output = in.flag("output");
  lease.highest_c = in.number("highest_c");
  lease.lease = in.time("lease_s");
  return lease;
}

Status read_status(Fields& in) {
  Status status;
  status.target_c = in.number("target_c");
  status.temperature_c = in.number("temperature_c");
  status.output = in.flag("output");
  status.lease_left_s = in.number("lease_left_s");
  return status;
}

Said read_opened(Fields& in) {
  Opened opened;
  opened.identity = in.text("identity");
  Fields inner(in.object("status"), "status");
  opened.status = read_status(inner);
  in.take(inner.error());
  return opened;
}

Said read_accepted(Fields& in) {
  Accepted accepted;
  accepted.target_c = in.number("target_c");
  accepted.output = in.flag("output");
  accepted.lease_s = in.number("lease_s");
  return accepted;
}

Said read_parked(Fields& in) {
  Parked parked;
  parked.cause = in.text("cause");
  parked.confirmed = in.flag("confirmed");
  parked.text = in.text("text");
  return parked;
}

Errc code_of(const std::string& word) {
  for (int i = 0; i <= static_cast<int>(Errc::unexpected); ++i)
    if (word == name(static_cast<Errc>(i))) return static_cast<Errc>(i);
  return Errc::unexpected;
}

Said read_fault(Fields& in) {
  Error error;
  const std::string code = in.text("code");
  error.code = code_of(code);
  if (code != name(error.code)) in.fail_at("code", "is not a known word");
  error.doing = in.text("doing");
  error.detail = in.text("detail");
  error.where = in.text("where");
  return Fault{error};
}

Json parse(std::string_view line) {
  return Json::parse(line, nullptr, false);
}

void check_version(Fields& in) {
  if (in.whole("v") != protocol_version) in.fail_at("v", "is not 1: daemon and guardian are not of one build");
}

template <class T>
Result<T> finished(const Fields& in, T value) {
  if (in.error()) return *in.error();
  return value;
}

Error not_json() {
  return Error{Errc::bad_input, "reading a guardian message", "the line is not JSON", ""};
}

}  // namespace

std::string to_line(const Request& request) {
  return std::visit(Overload{[](const Setup& setup) {
                               Json json = ask("settings");
                               json["connection"] = connection_json(setup.connection);
                               json["limits"] = limits_json(setup.limits);
                               json["speed"] = setup.speed;
                               json["log"] = setup.log;
                               return dump(json);
                             },
                             [](const LeaseRequested& lease) {
                               Json json = ask("lease");
                               json["target_c"] = lease.target_c;
                               json["output"] = lease.output;
                               json["highest_c"] = lease.highest_c;
                               json["lease_s"] = to_seconds(lease.lease);
                               return dump(json);
                             },
                             [](const ParkRequested& park) {
                               Json json = ask("park");
                               json["cause"] = park.cause;
                               return dump(json);
                             }},
                    request);
}

std::string to_line(const Said& said) {
  return std::visit(Overload{[](const Opened& opened) {
                               Json json = saying("opened");
                               json["identity"] = opened.identity;
                               put_status(json["status"], opened.status);
                               return dump(json);
                             },
                             [](const Status& status) {
                               Json json = saying("status");
                               put_status(json, status);
                               return dump(json);
                             },
                             [](const Accepted& accepted) {
                               Json json = saying("accepted");
                               json["target_c"] = accepted.target_c;
                               json["output"] = accepted.output;
                               json["lease_s"] = accepted.lease_s;
                               return dump(json);
                             },
                             [](const Refused& refused) {
                               Json json = saying("refused");
                               json["text"] = refused.text;
                               return dump(json);
                             },
                             [](const Parked& parked) {
                               Json json = saying("parked");
                               json["cause"] = parked.cause;
                               json["confirmed"] = parked.confirmed;
                               json["text"] = parked.text;
                               return dump(json);
                             },
                             [](const Fault& fault) {
                               Json json = saying("fault");
                               json["code"] = name(fault.error.code);
                               json["doing"] = fault.error.doing;
                               json["detail"] = fault.error.detail;
                               json["where"] = fault.error.where;
                               return dump(json);
                             }},
                    said);
}

Result<Request> parse_request(std::string_view line) {
  const Json json = parse(line);
  if (json.is_discarded()) return not_json();
  Fields in(json, "request");
  check_version(in);
  const std::string word = in.text("ask");
  Request request;
  if (word == "settings")
    request = read_setup(in);
  else if (word == "lease")
    request = read_lease(in);
  else if (word == "park")
    request = ParkRequested{in.text("cause")};
  else
    in.fail_at("ask", "is none of settings, lease, park");
  return finished(in, std::move(request));
}

Result<Said> parse_said(std::string_view line) {
  const Json json = parse(line);
  if (json.is_discarded()) return not_json();
  Fields in(json, "report");
  check_version(in);
  const std::string word = in.text("say");
  Said said;
  if (word == "opened")
    said = read_opened(in);
  else if (word == "status")
    said = read_status(in);
  else if (word == "accepted")
    said = read_accepted(in);
  else if (word == "refused")
    said = Refused{in.text("text")};
  else if (word == "parked")
    said = read_parked(in);
  else if (word == "fault")
    said = read_fault(in);
  else
    in.fail_at("say", "is none of opened, status, accepted, refused, parked, fault");
  return finished(in, std::move(said));
}

void LineBuffer::add(std::string_view bytes) {
  if (dropping_) {
    const auto end = bytes.find('\n');
    if (end == std::string_view::npos) return;
    bytes.remove_prefix(end);  // keeps the LF: the marked line comes out at it
    held_.clear();
    dropping_ = false;
    overlong_ = true;
  }
  held_ += bytes;
  if (held_.size() > longest_line && held_.find('\n') == std::string::npos) {
    held_.clear();
    dropping_ = true;
  }
}

std::optional<LineBuffer::Line> LineBuffer::next() {
  const auto end = held_.find('\n');
  if (end == std::string::npos) return std::nullopt;
  Line line;
  line.overlong = std::exchange(overlong_, false) || end > longest_line;
  if (!line.overlong) line.text = held_.substr(0, end);
  held_.erase(0, end + 1);
  if (held_.size() > longest_line && held_.find('\n') == std::string::npos) {
    held_.clear();
    dropping_ = true;
  }
  return line;
}

}  // namespace nightwell::guardian
