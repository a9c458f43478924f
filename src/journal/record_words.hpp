// A journal's records as text for people: one short line a record.
//
// A value that is fed every record of the journal from the first one on: names, units and setpoints stand in
// the opening records. Text from outside is made safe. A kind it does not know (a newer journal's) shows as
// its name.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "journal/reader.hpp"

namespace nightwell::journal {

// docs/journal.md has this kind of record.
[[nodiscard]] bool is_known_kind(std::string_view kind);

class RecordWords {
 public:
  // In which zone the labels are shown; local: the computer's, with its offset behind.
  enum class Times { utc, local };
  explicit RecordWords(Times times = Times::utc) : times_(times) {}

  // The line, without LF: number, UTC label, kind, and what the record says.
  [[nodiscard]] std::string line(const Record& record);
  // What the record says alone.
  [[nodiscard]] std::string said(const Record& record);

 private:
  using Json = nlohmann::ordered_json;

  struct Channel {
    std::string name;  // safe to show
    std::string measures;
  };

  void learn(const Record& record);
  [[nodiscard]] std::string say(const Record& record) const;
  [[nodiscard]] std::string channel_name(const Json& index) const;
  [[nodiscard]] std::string plateau(const Json& body) const;
  [[nodiscard]] std::string value(const Json& body, std::size_t position, const std::vector<std::size_t>& order) const;

  [[nodiscard]] std::string say_opening(const Json& body) const;
  [[nodiscard]] std::string say_plan(const Json& body) const;
  [[nodiscard]] std::string say_card(const Json& body) const;
  [[nodiscard]] std::string say_budget(const Json& budget) const;
  [[nodiscard]] std::string say_plateau_plan(const Json& body) const;
  [[nodiscard]] std::string say_sweep(const Json& body) const;
  [[nodiscard]] std::string say_plateau(const Json& body) const;
  [[nodiscard]] std::string say_survey(const Json& body) const;

  Times times_;
  std::vector<Channel> channels_;
  std::vector<std::pair<std::string, std::vector<std::size_t>>> orders_;
};

}  // namespace nightwell::journal
