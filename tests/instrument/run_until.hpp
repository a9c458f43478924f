// Runs an io_context until something has happened, at most for a generous time.
#pragma once

#include <asio/io_context.hpp>
#include <chrono>

namespace nightwell::instrument::test {

template <class Done>
[[nodiscard]] bool run_until(asio::io_context& io, Done done) {
  const auto end = std::chrono::steady_clock::now() + std::chrono::seconds(60);
  while (!done() && std::chrono::steady_clock::now() < end) {
    io.restart();
    io.run_one_for(std::chrono::milliseconds(100));
  }
  return done();
}

}  // namespace nightwell::instrument::test
