// The services' log: lines on standard error, in which text from files, people and instruments is shown and never obeyed.
#pragma once

#include <spdlog/pattern_formatter.h>

#include <memory>

#include "journal/plain_text.hpp"

namespace nightwell::journal {

// The message as journal::printable shows it: one line, no control characters.
class ShownMessage final : public spdlog::custom_flag_formatter {
 public:
  void format(const spdlog::details::log_msg& message, const std::tm&, spdlog::memory_buf_t& out) override {
    const std::string text = printable({message.payload.data(), message.payload.size()});
    out.append(text.data(), text.data() + text.size());
  }
  [[nodiscard]] std::unique_ptr<custom_flag_formatter> clone() const override {
    return std::make_unique<ShownMessage>();
  }
};

[[nodiscard]] inline std::unique_ptr<spdlog::formatter> safe_log_format() {
  auto formatter = std::make_unique<spdlog::pattern_formatter>();
  formatter->add_flag<ShownMessage>('*').set_pattern("%Y-%m-%dT%H:%M:%S.%e %l %*");
  return formatter;
}

}  // namespace nightwell::journal
