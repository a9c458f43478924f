// A driver as it is, but with a short quiet time, so that tests of a line out of step do not wait for long.
#pragma once

#include "nightwell/instrument/codec.hpp"

namespace nightwell::instrument::test {

template <class CodecType>
class Quick final : public CodecType {
 public:
  [[nodiscard]] LineSettings line() const override {
    LineSettings line = CodecType::line();
    line.quiet = Duration(60'000);
    return line;
  }
};

}  // namespace nightwell::instrument::test
