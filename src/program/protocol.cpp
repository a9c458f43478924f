#include "program/protocol.hpp"

#include <cmath>
#include <nlohmann/json.hpp>
#include <set>
#include <utility>

#include "nightwell/instrument/scpi.hpp"

namespace nightwell::program {

namespace {

using Json = nlohmann::ordered_json;

constexpr int deepest_line = 8;
constexpr double largest_number = 1e30, longest_time_s = 1e6;
constexpr std::size_t longest_detail = 500, longest_answer_text = 1000;

Error garbled(std::string detail) {
  return Error{Errc::garbled, "", std::move(detail), ""};
}

// ---- words of errors ----

constexpr Errc told_by_drivers[] = {Errc::no_answer,     Errc::garbled,  Errc::port_gone,      Errc::port_busy,
                                    Errc::port_settings, Errc::refused,  Errc::wrong_identity, Errc::mismatch,
                                    Errc::open_sensor,   Errc::overload, Errc::out_of_range,   Errc::bad_input,
                                    Errc::unexpected};

std::optional<Errc> code_of(std::string_view word) {
  for (const Errc code : told_by_drivers)
    if (name(code) == word) return code;
  return std::nullopt;
}

// ---- writing ----

std::string dump(const Json& json) {
  return json.dump(-1, ' ', true, Json::error_handler_t::replace) + "\n";
}

struct PortJson {
  Json operator()(const SerialPort& p) const {
    return {{"type", "serial"},         {"path", p.path},     {"baud", p.baud},
            {"data_bits", p.data_bits}, {"parity", p.parity}, {"stop_bits", p.stop_bits},
            {"flow", p.flow},           {"dtr", p.dtr},       {"rts", p.rts}};
  }
  Json operator()(const TcpPort& p) const { return {{"type", "tcp"}, {"host", p.host}, {"port", p.port}}; }
  Json operator()(const PtyPort& p) const { return {{"type", "pty"}, {"path", p.path}}; }
};

Json error_json(const Error& error) {
  const bool known = code_of(name(error.code)).has_value();
  return {{"code", name(known ? error.code : Errc::unexpected)}, {"detail", error.text().substr(0, longest_detail)}};
}

void put_channel(Json& json, const instrument::ChannelSetup& channel) {
  json["channel"] = channel.address;
  json["measures"] = name(channel.measures);
}

struct AskJson {
  Json& out;
  void operator()(const Identify&) const { out["ask"] = "identify"; }
  void operator()(const Configure& ask) const {
    out["ask"] = "configure";
    put_channel(out, ask.channel);
  }
  void operator()(const Read& ask) const {
    out["ask"] = "read";
    put_channel(out, ask.channel);
  }
  void operator()(const SetTarget& ask) const {
    out["ask"] = "set_target";
    out["t_c"] = ask.t_c;
  }
  void operator()(const ReadTarget&) const { out["ask"] = "read_target"; }
  void operator()(const ReadTemperature&) const { out["ask"] = "read_temperature"; }
  void operator()(const SetOutput& ask) const {
    out["ask"] = "set_output";
    out["on"] = ask.on;
  }
  void operator()(const ReadOutput&) const { out["ask"] = "read_output"; }
  void operator()(const Unknown& ask) const { out["ask"] = ask.word; }
};

struct ValueJson {
  Json& out;
  void operator()(const Done&) const { out["done"] = true; }
  void operator()(double value) const { out["value"] = value; }
  void operator()(bool value) const { out["value"] = value; }
  void operator()(const instrument::Identity& identity) const {
    out["value"] = identity.text.substr(0, longest_answer_text);
    if (identity.old_errors.empty()) return;
    // As many as the line holds: control characters take six bytes each.
    constexpr std::size_t longest_entry = 200, room_for_the_rest = 200;
    for (const std::string& entry : identity.old_errors) {
      out["old_errors"].push_back(entry.substr(0, longest_entry));
      if (out["old_errors"].size() <= most_old_errors && dump(out).size() < longest_line - room_for_the_rest) continue;
      out["old_errors"].erase(out["old_errors"].size() - 1);
      return;
    }
  }
  void operator()(const instrument::Reading& reading) const {
    out["value"] = reading.value;
    out["text"] = reading.text.substr(0, longest_answer_text);
    if (reading.odd) out["odd"] = true;
  }
};

// ---- reading ----

// No key twice, and not deeper than anything here is: two readers of one line must not see two things.
std::optional<Json> parse(std::string_view line, std::string& why) {
  std::vector<std::set<std::string>> seen;
  const auto look = [&](int depth, Json::parse_event_t event, Json& value) {
    if (depth > deepest_line) why = "it is nested too deep";
    if (event == Json::parse_event_t::object_start) seen.emplace_back();
    if (event == Json::parse_event_t::object_end) seen.pop_back();
    if (event == Json::parse_event_t::key && !seen.back().insert(value.get<std::string>()).second)
      why = "a key stands twice";
    return why.empty();
  };
  if (line.size() > longest_line) {
    why = "it is longer than " + std::to_string(longest_line) + " bytes";
    return std::nullopt;
  }
  Json json = Json::parse(line.begin(), line.end(), look, false);
  if (!why.empty()) return std::nullopt;
  if (!json.is_object()) {
    why = "it is no JSON object";
    return std::nullopt;
  }
  return json;
}

// The keys of one line. The first thing wrong is kept.
class Keys {
 public:
  explicit Keys(std::string_view line) : line_(line) {
    std::string why;
    if (auto json = parse(line, why))
      json_ = std::move(*json);
    else
      fail(why);
  }
  Keys(Json json, std::string_view line) : json_(std::move(json)), line_(line) {
    if (!json_.is_object()) fail("what should be an object is none");
  }

  [[nodiscard]] const Json* find(const char* key) const {
    const auto at = json_.is_object() ? json_.find(key) : json_.end();
    return json_.is_object() && at != json_.end() ? &*at : nullptr;
  }
  std::string text(const char* key) {
    const Json* at = find(key);
    if (at == nullptr || !at->is_string()) return fail_at(key, "is no text"), "";
    if (at->get_ref<const std::string&>().size() > longest_text) return fail_at(key, "is too long"), "";
    return at->get<std::string>();
  }
  std::string text_if(const char* key) { return find(key) == nullptr ? "" : text(key); }
  double number(const char* key) {
    const Json* at = find(key);
    const double value = at != nullptr && at->is_number() ? at->get<double>() : std::nan("");
    if (!(std::abs(value) <= largest_number)) return fail_at(key, "is no number within 1e30"), 0;
    return value;
  }
  bool truth(const char* key) {
    const Json* at = find(key);
    if (at == nullptr || !at->is_boolean()) return fail_at(key, "is neither true nor false"), false;
    return at->get<bool>();
  }
  bool truth_if(const char* key) { return find(key) != nullptr && truth(key); }
  std::int64_t whole(const char* key, std::int64_t low, std::int64_t high) {
    const Json* at = find(key);
    const bool sound = at != nullptr && at->is_number_integer() &&
                       (!at->is_number_unsigned() || at->get<std::uint64_t>() <= static_cast<std::uint64_t>(high));
    if (!sound || at->get<std::int64_t>() < low || at->get<std::int64_t>() > high)
      return fail_at(key, "is no whole number in its range"), low;
    return at->get<std::int64_t>();
  }
  Duration seconds(const char* key) {
    const double s = number(key);
    if (s < 0 || s > longest_time_s) return fail_at(key, "is no time"), Duration(0);
    return from_seconds(s);
  }
  Keys object(const char* key) {
    const Json* at = find(key);
    Keys inside(at == nullptr ? Json() : *at, line_);
    return inside;
  }
  void fail(const std::string& detail) {
    if (!error_) error_ = garbled(detail + ": \"" + instrument::printable(line_, 120) + "\"");
  }
  void fail_at(const char* key, const std::string& what) { fail("\"" + std::string(key) + "\" " + what); }
  void take(const Keys& inside) {
    if (!error_ && inside.error_) error_ = inside.error_;
  }
  [[nodiscard]] const std::optional<Error>& error() const { return error_; }

 private:
  Json json_;
  std::string_view line_;
  std::optional<Error> error_;
};

template <class T>
Result<T> finished(const Keys& keys, T value) {
  if (keys.error()) return *keys.error();
  return value;
}

Port read_port(Keys& outer) {
  Keys in = outer.object("port");
  const std::string type = in.text("type");
  Port port;
  if (type == "serial") {
    SerialPort serial;
    serial.path = in.text("path");
    serial.baud = static_cast<int>(in.whole("baud", 1, 100'000'000));
    serial.data_bits = static_cast<int>(in.whole("data_bits", 5, 8));
    serial.parity = in.text("parity");
    serial.stop_bits = static_cast<int>(in.whole("stop_bits", 1, 2));
    serial.flow = in.text("flow");
    serial.dtr = in.text("dtr");
    serial.rts = in.text("rts");
    port = serial;
  } else if (type == "tcp") {
    TcpPort tcp;
    tcp.host = in.text("host");
    tcp.port = static_cast<int>(in.whole("port", 1, 65535));
    port = tcp;
  } else if (type == "pty") {
    port = PtyPort{in.text("path")};
  } else {
    in.fail_at("type", "is none of serial, tcp, pty");
  }
  outer.take(in);
  return port;
}

Error read_error(Keys& outer) {
  Keys in = outer.object("error");
  const std::string word = in.text("code");
  const auto code = code_of(word);
  if (!code) in.fail_at("code", "is no word for an error that a driver may tell");
  Error error{code.value_or(Errc::garbled), "", in.text("detail"), ""};
  if (error.detail.size() > longest_detail) error.detail.resize(longest_detail);
  outer.take(in);
  return error;
}

instrument::ChannelSetup read_channel(Keys& in) {
  instrument::ChannelSetup channel;
  channel.address = static_cast<int>(in.whole("channel", 0, highest_channel));
  const auto measures = quantity(in.text("measures"));
  if (!measures) in.fail_at("measures", "is none of voltage, resistance, current, temperature");
  channel.measures = measures.value_or(Quantity::resistance);
  return channel;
}

std::uint64_t read_id(Keys& in) {
  return static_cast<std::uint64_t>(in.whole("id", 1, std::int64_t{1} << 53));
}

Ask read_ask(Keys& in) {
  const std::string word = in.text("ask");
  if (word == "identify") return Identify();
  if (word == "configure") return Configure{read_channel(in)};
  if (word == "read") return Read{read_channel(in)};
  if (word == "set_target") return SetTarget{in.number("t_c")};
  if (word == "read_target") return ReadTarget();
  if (word == "read_temperature") return ReadTemperature();
  if (word == "set_output") return SetOutput{in.truth("on")};
  if (word == "read_output") return ReadOutput();
  return Unknown{word};
}

std::vector<std::string> read_old_errors(Keys& in) {
  std::vector<std::string> out;
  const Json* list = in.find("old_errors");
  if (list == nullptr) return out;
  if (!list->is_array() || list->size() > most_old_errors)
    in.fail_at("old_errors", "is no list of at most 64 texts");
  else
    for (const Json& entry : *list) {
      if (!entry.is_string()) return in.fail_at("old_errors", "is no list of texts"), out;
      out.push_back(entry.get<std::string>().substr(0, longest_detail));
    }
  return out;
}

// The value that belongs to the question.
struct ReadValue {
  Keys& in;
  Value operator()(const Identify&) const {
    instrument::Identity identity;
    identity.text = in.text("value");
    identity.old_errors = read_old_errors(in);
    return identity;
  }
  Value operator()(const Read&) const {
    instrument::Reading reading;
    reading.value = in.number("value");
    reading.text = in.text("text");
    reading.odd = in.truth_if("odd");
    return reading;
  }
  Value operator()(const ReadTarget&) const { return in.number("value"); }
  Value operator()(const ReadTemperature&) const { return in.number("value"); }
  Value operator()(const ReadOutput&) const { return in.truth("value"); }
  template <class Setting>
  Value operator()(const Setting&) const {
    if (!in.truth("done")) in.fail_at("done", "is not true");
    return Done();
  }
};

}  // namespace

std::string to_line(const Hello& hello) {
  return dump({{"hello", protocol_name},
               {"role", hello.role == Role::scanner ? "scanner" : "heat_source"},
               {"instrument", hello.instrument},
               {"port", std::visit(PortJson(), hello.port)},
               {"reply_s", to_seconds(hello.reply)},
               {"identity", hello.identity}});
}

std::string to_line(const Welcome& welcome) {
  Json out = {{"hello", protocol_name}, {"driver", welcome.driver}, {"revision", welcome.revision}};
  if (welcome.error) out["error"] = error_json(*welcome.error);
  return dump(out);
}

std::string to_line(const Request& request) {
  Json out = {{"id", request.id}};
  std::visit(AskJson{out}, request.ask);
  out["within_s"] = to_seconds(request.within);
  return dump(out);
}

std::string to_line(const Answer& answer) {
  Json out = {{"id", answer.id}};
  if (answer.value)
    std::visit(ValueJson{out}, *answer.value);
  else
    out["error"] = error_json(answer.value.error());
  if (answer.asked_again > 0) out["asked_again"] = answer.asked_again;
  return dump(out);
}

Result<Hello> parse_hello(std::string_view line) {
  Keys in(line);
  Hello hello;
  const std::string protocol = in.text("hello");
  if (!in.error() && protocol != protocol_name)
    return Error{Errc::refused, "",
                 "the host speaks " + instrument::printable(protocol) + ", this driver " + std::string(protocol_name),
                 ""};
  const std::string role = in.text("role");
  if (role != "scanner" && role != "heat_source") in.fail_at("role", "is neither scanner nor heat_source");
  hello.role = role == "scanner" ? Role::scanner : Role::heat_source;
  hello.instrument = in.text("instrument");
  hello.port = read_port(in);
  hello.reply = in.seconds("reply_s");
  hello.identity = in.text("identity");
  return finished(in, std::move(hello));
}

Result<Welcome> parse_welcome(std::string_view line) {
  Keys in(line);
  const std::string protocol = in.text("hello");
  if (!in.error() && protocol != protocol_name)
    return Error{
        Errc::refused, "",
        "the driver speaks " + instrument::printable(protocol) + ", this program " + std::string(protocol_name), ""};
  Welcome welcome;
  welcome.driver = in.text("driver");
  welcome.revision = in.text("revision");
  if (in.find("error") != nullptr) welcome.error = read_error(in);
  return finished(in, std::move(welcome));
}

Result<Request> parse_request(std::string_view line) {
  Keys in(line);
  Request request;
  request.id = read_id(in);
  request.within = in.seconds("within_s");
  request.ask = read_ask(in);
  return finished(in, std::move(request));
}

Result<std::uint64_t> answered_id(std::string_view line) {
  Keys in(line);
  const std::uint64_t id = read_id(in);
  return finished(in, id);
}

Result<Answer> parse_answer(std::string_view line, const Ask& ask) {
  Keys in(line);
  Answer answer;
  answer.id = read_id(in);
  if (in.find("asked_again") != nullptr)
    answer.asked_again = static_cast<std::uint64_t>(in.whole("asked_again", 0, 1'000'000));
  if (in.find("error") == nullptr) {
    answer.value = std::visit(ReadValue{in}, ask);
  } else {
    if (in.find("value") != nullptr || in.find("done") != nullptr) in.fail("it tells a value and an error");
    answer.value = read_error(in);
  }
  return finished(in, std::move(answer));
}

std::optional<std::string> LineCutter::next() {
  const auto end = held_.find('\n');
  too_long_ = too_long_ || std::min(end, held_.size()) > longest_line;
  if (too_long_) held_.clear();
  if (too_long_ || end == std::string::npos) return std::nullopt;
  std::string line = held_.substr(0, end);
  held_.erase(0, end + 1);
  if (!line.empty() && line.back() == '\r') line.pop_back();
  return line;
}

}  // namespace nightwell::program
