// Speaks a dialect: the codecs that the line engine wants, made of a dialect as a value. Pure.
//
// The checksum, where there is one, stands on every command and is demanded of every line of a reply; a wrong or missing
// one is garbled. A reply that matches one of the dialect's refusals is refused. The identity must be an answer to
// nothing else that the dialect asks: it is the marker that proves the line in step (garbled otherwise).
#pragma once

#include <memory>

#include "dialect/dialect.hpp"

namespace nightwell::dialect {

// The text of a command with its checksum and its end; what of a line is left without its checksum, or nullopt.
[[nodiscard]] std::string framed(std::string text, const Dialect& dialect);
[[nodiscard]] std::optional<std::string_view> without_checksum(std::string_view line, const Checksum& checksum);

class DialectScanner final : public instrument::ScannerCodec {
 public:
  explicit DialectScanner(std::shared_ptr<const Dialect> dialect) : dialect_(std::move(dialect)) {}
  [[nodiscard]] instrument::LineSettings line() const override;
  // bad_input: a channel or a quantity that the dialect does not have.
  [[nodiscard]] Result<instrument::Message> encode(const instrument::ScannerCommand& command) const override;
  [[nodiscard]] Result<instrument::Answer> decode(std::string_view reply,
                                                  const instrument::ScannerCommand& command) const override;
  [[nodiscard]] std::size_t steps(instrument::Steps which) const override;
  [[nodiscard]] std::optional<instrument::Proof<instrument::ScannerCommand>> proof(
      const instrument::ScannerCommand& command) const override;
  [[nodiscard]] std::vector<instrument::ScannerCommand> before(
      const instrument::ScannerCommand& command) const override;
  [[nodiscard]] std::optional<instrument::Wait<instrument::ScannerCommand>> wait(
      const instrument::ScannerCommand& command) const override;

 private:
  std::shared_ptr<const Dialect> dialect_;
};

class DialectSource final : public instrument::HeatSourceCodec {
 public:
  explicit DialectSource(std::shared_ptr<const Dialect> dialect) : dialect_(std::move(dialect)) {}
  [[nodiscard]] instrument::LineSettings line() const override;
  // bad_input: a target that is not finite, beyond 10,000 °C, or beyond the dialect's limits.
  [[nodiscard]] Result<instrument::Message> encode(const instrument::HeatSourceCommand& command) const override;
  [[nodiscard]] Result<instrument::Answer> decode(std::string_view reply,
                                                  const instrument::HeatSourceCommand& command) const override;
  [[nodiscard]] std::size_t steps(instrument::Steps which) const override;
  [[nodiscard]] std::optional<instrument::Proof<instrument::HeatSourceCommand>> proof(
      const instrument::HeatSourceCommand& command) const override;

 private:
  std::shared_ptr<const Dialect> dialect_;
};

}  // namespace nightwell::dialect
