#include "plan/object_reader.hpp"

#include <algorithm>
#include <charconv>
#include <cmath>

#include "plan/nearest.hpp"

namespace nightwell::plan {

namespace {

constexpr std::size_t longest_shown = 60;
constexpr std::size_t longest_name = 100;

// Cuts UTF-8 text between two characters.
std::string cut(std::string_view text, std::size_t most) {
  if (text.size() <= most) return std::string(text);
  std::size_t end = most;
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xc0) == 0x80) --end;
  return std::string(text.substr(0, end)) + "…";
}

std::size_t characters(std::string_view text) {
  return static_cast<std::size_t>(
      std::count_if(text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xc0) != 0x80; }));
}

bool has_control(std::string_view text) {
  return std::any_of(text.begin(), text.end(), [](char c) {
    const auto byte = static_cast<unsigned char>(c);
    return byte < 0x20 || byte == 0x7f;
  });
}

bool sound_text(std::string_view text, std::size_t longest) {
  return !text.empty() && characters(text) <= longest && !has_control(text);
}

std::string text_rule(std::size_t longest) {
  return "a text of 1 to " + std::to_string(longest) + " characters, no control characters";
}

std::string count_rule(std::size_t fewest, std::size_t most, const char* what) {
  if (fewest == most) return std::to_string(most) + " " + what;
  return std::to_string(fewest) + " to " + std::to_string(most) + " " + what;
}

}  // namespace

Place Place::operator/(std::string_view key) const {
  Place out{file, pointer + "/"};
  for (const char c : key) {
    if (c == '~')
      out.pointer += "~0";
    else if (c == '/')
      out.pointer += "~1";
    else
      out.pointer += c;
  }
  return out;
}

// ---- faults ----

void FaultList::add(Fault fault) {
  if (full()) {
    more_ = true;
    return;
  }
  fault.pointer = cut(fault.pointer, 400);
  if (!seen_.insert(fault.file + '\n' + fault.pointer + '\n' + fault.found + '\n' + fault.allowed).second) return;
  faults_.push_back(std::move(fault));
}

void FaultList::add(const Place& place, std::string found, std::string allowed, std::string message) {
  Fault fault;
  fault.file = place.file;
  fault.pointer = place.pointer;
  fault.found = std::move(found);
  fault.allowed = std::move(allowed);
  fault.message = std::move(message);
  add(std::move(fault));
}

std::vector<Fault> FaultList::take() && {
  if (more_) {
    Fault rest;
    rest.file = faults_.back().file;
    rest.found = "more faults";
    rest.allowed = "none";
    rest.message = "only the first " + std::to_string(most_) + " are listed";
    faults_.push_back(std::move(rest));
  }
  return std::move(faults_);
}

// ---- how things are shown ----

std::string shortest(double value) {
  char text[40];
  const double size = std::abs(value);
  const bool plain = value == 0 || (size >= 1e-4 && size < 1e15);  // people read 100000 better than 1e+05
  return {text, (plain ? std::to_chars(text, text + sizeof text, value, std::chars_format::fixed)
                       : std::to_chars(text, text + sizeof text, value))
                    .ptr};
}

Error first_fault(FaultList faults, std::string doing) {
  const Fault first = std::move(faults).take().front();
  return {Errc::bad_input, std::move(doing),
          (first.pointer.empty() ? "" : first.pointer + ": ") + "found " + first.found + ", allowed " + first.allowed +
              (first.message.empty() ? "" : "; " + first.message),
          ""};
}

std::string Range::text() const {
  std::string out = (above ? "above " : "") + shortest(low) + " to " + shortest(high);
  if (*unit != '\0') out += std::string(" ") + unit;
  return out;
}

std::string in_quotes(std::string_view text) {
  return "\"" + cut(text, longest_shown) + "\"";
}

std::string shown(const Json& value) {
  switch (value.type()) {
    case Json::value_t::string: return in_quotes(value.get_ref<const std::string&>());
    case Json::value_t::array: return value.empty() ? "an empty list" : "a list of " + std::to_string(value.size());
    case Json::value_t::object: return "an object";
    case Json::value_t::number_float: return shortest(value.get<double>());
    default: return value.dump();
  }
}

std::string one_of(const std::vector<std::string>& words) {
  std::string out;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i > 0) out += i + 1 == words.size() ? " or " : ", ";
    out += in_quotes(words[i]);
  }
  return out;
}

// ---- the reader ----

ObjectReader::ObjectReader(const Json& value, Place place, FaultList& faults)
    : place_(std::move(place)), faults_(&faults) {
  if (value.is_object())
    value_ = &value;
  else
    faults.add(place_, shown(value), "an object");
}

void ObjectReader::fall_back_on(const ObjectReader& defaults) {
  defaults_ = defaults.value_;
  defaults_place_ = defaults.place_;
}

const Json* ObjectReader::find(const std::string& key) const {
  for (const Json* object : {value_, defaults_}) {
    if (object == nullptr) continue;
    if (const auto found = object->find(key); found != object->end()) return &*found;
  }
  return nullptr;
}

Place ObjectReader::place(std::string_view key) const {
  const std::string name(key);
  const bool by_default =
      (value_ == nullptr || !value_->contains(name)) && defaults_ != nullptr && defaults_->contains(name);
  return (by_default ? defaults_place_ : place_) / key;
}

const Json* ObjectReader::want_if(const std::string& key) {
  if (std::find(known_.begin(), known_.end(), key) == known_.end()) known_.push_back(key);
  return find(key);
}

const Json* ObjectReader::want(const std::string& key, const std::string& allowed) {
  const Json* found = want_if(key);
  if (found == nullptr && is_object() && !partial_)
    faults_->add(place_ / key, "nothing", allowed, defaults_ == nullptr ? "" : "neither here nor in the defaults");
  return found;
}

void ObjectReader::refuse(const std::string& key, std::string allowed, std::string message) {
  const Json* found = find(key);
  faults_->add(place(key), found == nullptr ? "nothing" : shown(*found), std::move(allowed), std::move(message));
}

void ObjectReader::unused(const std::string& key, const std::string& why) {
  if (want_if(key) != nullptr) refuse(key, "nothing", why);
}

std::optional<double> ObjectReader::as_number(const std::string& key, const Json* value, const Range& range) {
  if (value == nullptr) return std::nullopt;
  if (!value->is_number()) {
    refuse(key, "a number, " + range.text());
    return std::nullopt;
  }
  const double number = value->get<double>();
  if (!std::isfinite(number) || !range.holds(number)) {
    refuse(key, range.text());
    return std::nullopt;
  }
  return number;
}

std::optional<double> ObjectReader::number(const std::string& key, const Range& range) {
  return as_number(key, want(key, "a number, " + range.text()), range);
}

std::optional<double> ObjectReader::number_if(const std::string& key, const Range& range) {
  return as_number(key, want_if(key), range);
}

std::optional<int> ObjectReader::whole(const std::string& key, int low, int high) {
  const std::string allowed = "a whole number, " + std::to_string(low) + " to " + std::to_string(high);
  const Json* value = want(key, allowed);
  if (value == nullptr) return std::nullopt;
  const double number = value->is_number() ? value->get<double>() : std::nan("");
  if (!(number >= low && number <= high) || number != std::trunc(number)) {
    refuse(key, allowed);
    return std::nullopt;
  }
  return static_cast<int>(number);
}

std::optional<std::string> ObjectReader::as_text(const std::string& key, const Json* value, std::size_t longest) {
  if (value == nullptr) return std::nullopt;
  if (!value->is_string() || !sound_text(value->get_ref<const std::string&>(), longest)) {
    refuse(key, text_rule(longest));
    return std::nullopt;
  }
  return value->get<std::string>();
}

std::optional<std::string> ObjectReader::text(const std::string& key, std::size_t longest) {
  return as_text(key, want(key, text_rule(longest)), longest);
}

std::optional<std::string> ObjectReader::text_if(const std::string& key, std::size_t longest) {
  return as_text(key, want_if(key), longest);
}

std::optional<bool> ObjectReader::truth_if(const std::string& key) {
  const Json* value = want_if(key);
  if (value == nullptr) return std::nullopt;
  if (!value->is_boolean()) {
    refuse(key, "true or false");
    return std::nullopt;
  }
  return value->get<bool>();
}

std::optional<std::size_t> ObjectReader::word_index(const std::string& key, const std::vector<std::string>& words) {
  const Json* value = want(key, one_of(words));
  if (value == nullptr) return std::nullopt;
  if (value->is_string()) {
    const auto& word = value->get_ref<const std::string&>();
    const auto found = std::find(words.begin(), words.end(), word);
    if (found != words.end()) return static_cast<std::size_t>(found - words.begin());
    refuse(key, one_of(words), meant(word, words));
  } else {
    refuse(key, one_of(words));
  }
  return std::nullopt;
}

std::optional<ObjectReader> ObjectReader::as_object(const std::string& key, const Json* value) {
  if (value == nullptr) return std::nullopt;
  ObjectReader inside(*value, place(key), *faults_);
  if (!inside.is_object()) return std::nullopt;
  inside.partial_ = partial_;
  return inside;
}

std::optional<ObjectReader> ObjectReader::merged_object(const std::string& key) {
  auto inside = object(key);
  if (!inside || defaults_ == nullptr || value_ == nullptr || !value_->contains(key)) return inside;
  if (const auto beside = defaults_->find(key); beside != defaults_->end() && beside->is_object()) {
    inside->defaults_ = &*beside;
    inside->defaults_place_ = defaults_place_ / key;
  }
  return inside;
}

std::optional<ObjectReader> ObjectReader::object(const std::string& key) {
  return as_object(key, want(key, "an object"));
}

std::optional<ObjectReader> ObjectReader::object_if(const std::string& key) {
  return as_object(key, want_if(key));
}

std::optional<std::vector<ObjectReader::Element>> ObjectReader::list(const std::string& key, std::size_t fewest,
                                                                     std::size_t most) {
  const std::string allowed = "a list of " + count_rule(fewest, most, most == 1 ? "element" : "elements");
  const Json* value = want(key, allowed);
  if (value == nullptr) return std::nullopt;
  if (!value->is_array() || value->size() < fewest || value->size() > most) {
    refuse(key, allowed);
    return std::nullopt;
  }
  std::vector<Element> out;
  out.reserve(value->size());
  for (const Json& element : *value) out.push_back({element, place(key) / out.size()});
  return out;
}

std::optional<std::vector<double>> ObjectReader::numbers(const std::string& key, std::size_t fewest, std::size_t most,
                                                         const Range& range) {
  const auto elements = list(key, fewest, most);
  if (!elements) return std::nullopt;
  std::vector<double> out;
  for (const auto& [value, place] : *elements) {
    if (value.is_number() && std::isfinite(value.get<double>()) && range.holds(value.get<double>()))
      out.push_back(value.get<double>());
    else
      faults_->add(place, shown(value), "a number, " + range.text());
  }
  if (out.size() != elements->size()) return std::nullopt;
  return out;
}

std::optional<std::vector<ObjectReader::Member>> ObjectReader::as_members(const std::string& key, const Json* value,
                                                                          std::size_t fewest, std::size_t most) {
  if (value == nullptr) return std::nullopt;
  if (!value->is_object() || value->size() < fewest || value->size() > most) {
    const bool counted = value->is_object();
    faults_->add(place(key), counted ? count_rule(value->size(), value->size(), "entries") : shown(*value),
                 (counted ? "" : "an object of ") + count_rule(fewest, most, "entries"));
    return std::nullopt;
  }
  std::vector<Member> out;
  for (const auto& [name, inside] : value->items()) {
    if (!sound_text(name, longest_name)) {
      faults_->add(place(key) / name, "the name " + in_quotes(name), text_rule(longest_name));
      continue;
    }
    out.push_back({name, inside, place(key) / name});
  }
  return out;
}

std::optional<std::vector<ObjectReader::Member>> ObjectReader::members(const std::string& key, std::size_t fewest,
                                                                       std::size_t most) {
  return as_members(key, want(key, "an object of " + count_rule(fewest, most, "entries")), fewest, most);
}

std::optional<std::vector<ObjectReader::Member>> ObjectReader::members_if(const std::string& key, std::size_t fewest,
                                                                          std::size_t most) {
  return as_members(key, want_if(key), fewest, most);
}

void ObjectReader::report_unknown(const Json& object, const Place& place) const {
  for (const auto& [key, value] : object.items()) {
    if (std::find(known_.begin(), known_.end(), key) != known_.end()) continue;
    const bool full = faults_->full();
    faults_->add(place / key, "the unknown key " + in_quotes(key), one_of(known_), full ? "" : meant(key, known_));
    if (full) return;  // the list knows by now that there are more
  }
}

void ObjectReader::finish() {
  if (value_ != nullptr) report_unknown(*value_, place_);
}

}  // namespace nightwell::plan
