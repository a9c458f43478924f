#include "remote/protocol.hpp"

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <utility>
#include <vector>

#include "journal/frame.hpp"
#include "journal/plain_text.hpp"

namespace nightwell::remote {

namespace {

using Json = nlohmann::ordered_json;

constexpr std::uint64_t largest_number = 1'000'000'000'000'000;  // as a double holds it, with room
constexpr std::size_t longest_text = 500;

constexpr std::array<std::pair<Refusal, const char*>, 7> refusals = {{{Refusal::bad_request, "bad_request"},
                                                                      {Refusal::no_such_run, "no_such_run"},
                                                                      {Refusal::no_such_record, "no_such_record"},
                                                                      {Refusal::changed, "changed"},
                                                                      {Refusal::damaged, "damaged"},
                                                                      {Refusal::full, "full"},
                                                                      {Refusal::storage, "storage"}}};

bool is_hash(std::string_view text) {
  return text.size() == 64 &&
         std::all_of(text.begin(), text.end(), [](char c) { return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'); });
}

// Reads an object's keys, each once; the first thing that is wrong is kept.
class Fields {
 public:
  explicit Fields(std::string_view line) {
    std::vector<std::string> keys;
    bool sound = true;
    // The values of these objects are plain: what is nested deeper is refused before it is built.
    const auto watch = [&](int depth, Json::parse_event_t event, Json& value) {
      using Event = Json::parse_event_t;
      if (event == Event::key && std::find(keys.begin(), keys.end(), value.get_ref<const std::string&>()) != keys.end())
        sound = false;
      if (event == Event::key) keys.push_back(value.get<std::string>());
      if ((event == Event::object_start && depth > 0) || event == Event::array_start) sound = false;
      return sound;
    };
    object_ = Json::parse(line, watch, false);
    if (!sound)
      wrong_ = "a key stands twice, or a value is a list or an object";
    else if (!object_.is_object())
      wrong_ = "it is not one JSON object";
  }

  [[nodiscard]] bool has(const char* key) const { return object_.is_object() && object_.contains(key); }

  std::string text(const char* key, bool (*right)(std::string_view), const char* allowed) {
    const Json* value = take(key, allowed);
    if (value != nullptr && value->is_string() && right(value->get_ref<const std::string&>()))
      return value->get<std::string>();
    refuse(key, allowed);
    return "";
  }

  std::uint64_t number(const char* key) {
    const Json* value = take(key, "a whole number");
    if (value != nullptr && value->is_number_unsigned() && value->get<std::uint64_t>() <= largest_number)
      return value->get<std::uint64_t>();
    refuse(key, "a whole number, 0 to 1000000000000000");
    return 0;
  }

  bool truth(const char* key) {
    const Json* value = take(key, "true or false");
    if (value != nullptr && value->is_boolean()) return value->get<bool>();
    refuse(key, "true or false");
    return false;
  }

  [[nodiscard]] bool is_null(const char* key) {
    if (!has(key) || !object_.at(key).is_null()) return false;
    known_.emplace_back(key);
    return true;
  }

  void refuse(const char* key, const std::string& allowed) {
    if (wrong_.empty()) wrong_ = std::string("\"") + key + "\": allowed is " + allowed;
  }

  // Nothing where all is right.
  std::string finish() {
    if (wrong_.empty())
      for (const auto& [key, value] : object_.items())
        if (std::find(known_.begin(), known_.end(), key) == known_.end()) {
          wrong_ = "unknown key \"" + journal::printable(key).substr(0, 60) + "\"";
          break;
        }
    return wrong_;
  }

 private:
  const Json* take(const char* key, const char* allowed) {
    if (!has(key)) {
      refuse(key, allowed);
      return nullptr;
    }
    known_.emplace_back(key);
    return &object_.at(key);
  }

  Json object_;
  std::vector<std::string> known_;
  std::string wrong_;
};

bool is_run_or_newest(std::string_view text) {
  return text.empty() || is_run_id(text);
}

bool is_short_text(std::string_view text) {
  return text.size() <= longest_text;
}

Request read_journal_request(Fields& fields) {
  JournalRequest out;
  out.on = fields.has("follow");
  out.run = fields.text(out.on ? "follow" : "read", is_run_or_newest,
                        "a run's id (lower-case letters, digits, hyphens, at most 63), or \"\" for the newest");
  if (fields.has("from")) out.from = fields.number("from");
  if (fields.has("prev")) {
    out.prev = fields.text("prev", is_hash, "a hash, 64 lower-case hex digits");
    if (out.from == 0) fields.refuse("prev", "only beside a \"from\" above 0");
  }
  if (fields.has("plain")) out.plain = fields.truth("plain");
  return out;
}

RelayLine read_relay_line(Fields& fields, const std::string& kind) {
  constexpr const char* a_run = "a run's id";
  constexpr const char* a_time = "a time, 2026-03-01T21:14:05.000250Z";
  if (kind == "hello") {
    (void)fields.text(
        "format", [](std::string_view text) { return text == protocol_name; }, protocol_name.data());
    auto run = fields.text("run", is_run_id, a_run);
    return Hello{std::move(run), fields.number("from")};
  }
  if (kind == "run") {
    RunLine out;
    out.run = fields.text("run", is_run_id, a_run);
    if (!fields.is_null("opened")) out.opened = fields.text("opened", journal::is_utc, a_time);
    out.records = fields.number("records");
    out.bytes = fields.number("bytes");
    out.closed = fields.truth("closed");
    return out;
  }
  if (kind == "head") {
    Head out;
    out.n = fields.number("n");
    out.hash = fields.text("hash", is_hash, "a hash, 64 lower-case hex digits");
    out.utc = fields.text("utc", journal::is_utc, a_time);
    return out;
  }
  if (kind == "idle") return Idle{fields.text("utc", journal::is_utc, a_time)};
  if (kind == "end") return End{fields.truth("closed")};
  ErrorLine out;
  if (kind != "error") {
    fields.refuse("relay", "hello, run, head, idle, end or error");
    return out;
  }
  const auto code = fields.text("code", is_short_text, "a code");
  const auto found =
      std::find_if(refusals.begin(), refusals.end(), [&](const auto& refusal) { return refusal.second == code; });
  if (found != refusals.end())
    out.code = found->first;
  else
    fields.refuse("code", "one of docs/relay.md");
  out.text = fields.text("text", is_short_text, "a text of at most 500 bytes");
  return out;
}

std::string dump(const Json& json) {
  return json.dump(-1, ' ', true, Json::error_handler_t::replace);
}

template <class... Ts>
struct Overloaded : Ts... {
  using Ts::operator()...;
};
template <class... Ts>
Overloaded(Ts...) -> Overloaded<Ts...>;

}  // namespace

bool is_run_id(std::string_view text) {
  const auto plain = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9'); };
  return !text.empty() && text.size() <= 63 && plain(text.front()) &&
         std::all_of(text.begin(), text.end(), [&](char c) { return plain(c) || c == '-'; });
}

Result<Request> parse_request(std::string_view line) {
  const auto bad = [](std::string why) { return Error{Errc::bad_input, "reading a request", std::move(why), ""}; };
  if (line.size() > longest_request) return bad("it is longer than 1 KiB");
  Fields fields(line);
  const int kinds = int(fields.has("follow")) + int(fields.has("read")) + int(fields.has("runs"));
  Request out = RunsRequest{};
  if (kinds == 1 && fields.has("runs")) {
    if (!fields.truth("runs")) fields.refuse("runs", "true");
  } else if (kinds == 1) {
    out = read_journal_request(fields);
  }
  constexpr const char* which = "one of \"follow\", \"read\" and \"runs\" must stand in it";
  if (kinds > 1) return bad(which);
  if (auto wrong = fields.finish(); !wrong.empty()) return bad(std::move(wrong));
  if (kinds == 0) return bad(which);
  return out;
}

std::string print(const Request& request) {
  const auto* wanted = std::get_if<JournalRequest>(&request);
  if (wanted == nullptr) return R"({"runs":true})";
  Json json;
  json[wanted->on ? "follow" : "read"] = wanted->run;
  json["from"] = wanted->from;
  if (wanted->prev) json["prev"] = *wanted->prev;
  if (wanted->plain) json["plain"] = true;
  return dump(json);
}

const char* name(Refusal code) {
  return std::find_if(refusals.begin(), refusals.end(), [&](const auto& refusal) { return refusal.first == code; })
      ->second;
}

Result<RelayLine> parse_line(std::string_view line) {
  const auto bad = [](std::string why) {
    return Error{Errc::bad_input, "reading a line of the relay", std::move(why), ""};
  };
  if (line.size() > longest_relay_line) return bad("it is longer than 4 KiB");
  Fields fields(line);
  const auto kind = fields.text("relay", is_short_text, "hello, run, head, idle, end or error");
  RelayLine out = read_relay_line(fields, kind);
  if (auto wrong = fields.finish(); !wrong.empty()) return bad(std::move(wrong));
  return out;
}

std::string print(const RelayLine& line) {
  return dump(std::visit(
      Overloaded{
          [](const Hello& hello) {
            return Json{{"relay", "hello"}, {"format", protocol_name}, {"run", hello.run}, {"from", hello.from}};
          },
          [](const RunLine& run) {
            return Json{
                {"relay", "run"},         {"run", run.run},     {"opened", run.opened ? Json(*run.opened) : Json()},
                {"records", run.records}, {"bytes", run.bytes}, {"closed", run.closed}};
          },
          [](const Head& head) {
            return Json{{"relay", "head"}, {"n", head.n}, {"hash", head.hash}, {"utc", head.utc}};
          },
          [](const Idle& idle) {
            return Json{{"relay", "idle"}, {"utc", idle.utc}};
          },
          [](const End& end) {
            return Json{{"relay", "end"}, {"closed", end.closed}};
          },
          [](const ErrorLine& error) {
            return Json{{"relay", "error"}, {"code", name(error.code)}, {"text", error.text}};
          },
      },
      line));
}

}  // namespace nightwell::remote
