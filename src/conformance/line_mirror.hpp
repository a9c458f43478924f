// An instrument made of a dialect of lines: its templates read in the other direction. What the driver sends is matched against
// the templates of commands; what those of replies describe is filled in and sent back. So a dialect file can be tried
// without its instrument. This proves that the file agrees with itself, and nothing about the instrument.
//
// A heat source has a temperature near 23 °C that does not follow its target, a target of 7 K above it, and an output
// that is off. A scanner has another value on every channel. What it does not understand it refuses with the dialect's
// first refusal, or says nothing where there is none. An error register or queue is always empty. A reading that is waited
// for is ready at the third question, counted from its start, where the dialect leaves it words to say "not yet"; before
// that it is refused.
//
// Pure but for refuse_next(), which may be called from another thread. Never fails: what it cannot say, it does not say.
#pragma once

#include <atomic>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "dialect/dialect.hpp"
#include "dialect/template.hpp"

namespace nightwell::conformance {

class LineMirror {
 public:
  explicit LineMirror(std::shared_ptr<const dialect::Dialect> dialect);

  // The bytes that come back for these.
  [[nodiscard]] std::string hear(std::string_view bytes);
  // The next setting or reading that it understands is refused.
  void refuse_next() { refusing_ = true; }
  [[nodiscard]] bool can_refuse() const { return !dialect_->refused.empty(); }

 private:
  struct Understood {
    std::size_t command = 0;
    dialect::Match fields;
  };

  [[nodiscard]] std::string answer(std::string_view line);
  [[nodiscard]] const Understood* understand(std::string_view text, Understood& out) const;
  void act(const Understood& heard);
  [[nodiscard]] std::string reply_to(const Understood& heard);
  [[nodiscard]] std::string filled(const dialect::Template& pattern, const Understood& heard, int decimals) const;
  [[nodiscard]] std::string lines(std::string_view text) const;
  [[nodiscard]] std::string refusal() const;
  [[nodiscard]] std::string_view name_of(std::size_t command) const;
  [[nodiscard]] double value_of(const Understood& heard) const;
  [[nodiscard]] int integer_of(const Understood& heard) const;
  [[nodiscard]] std::string channel_in(const Understood& heard) const;
  [[nodiscard]] const dialect::WhenReady* asked_ready(const Understood& heard) const;
  [[nodiscard]] bool too_early(const Understood& heard) const;
  [[nodiscard]] bool is_begun(std::size_t reading) const;
  [[nodiscard]] bool can_say_not_yet(const dialect::WhenReady& when, const Understood& heard) const;
  [[nodiscard]] std::string text_of(const Understood& heard, int decimals) const;

  std::shared_ptr<const dialect::Dialect> dialect_;
  std::string received_;
  std::string chosen_;                   // the channel that was named last: what is read where a question names none
  std::optional<std::size_t> set_last_;  // the newest setting: which reading was begun
  int questions_left_ = 0;               // until it says that the reading is ready
  std::map<std::size_t, std::string> proofs_;  // by query: what a step that was taken makes it say
  double temperature_c_ = 23, target_c_ = 30;
  bool output_ = false;
  std::atomic<bool> refusing_ = false;
};

}  // namespace nightwell::conformance
