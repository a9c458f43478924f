// The control socket: a test tells the running bench which fault to begin, or asks for the truth.
//
// A Unix stream socket; one JSON object a line (at most 64 KiB), one answer a line. Any number of
// connections. What is asked and answered: docs/simulated-bench.md.
#pragma once

#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "drivers/sim/line_end.hpp"
#include "nightwell/result.hpp"

namespace nightwell::sim {

class Control {
 public:
  using Answerer = std::function<std::string(const std::string& line)>;
  Control() = default;
  ~Control();
  Control(const Control&) = delete;
  Control& operator=(const Control&) = delete;

  // Replaces a socket that was left behind. Errors: bad_input (path too long, or not a socket is in the way),
  // storage.
  Result<void> open(const std::filesystem::path& path);
  [[nodiscard]] std::vector<Watch> watches() const;
  void run(const Answerer& answer);

 private:
  struct Client {
    Descriptor fd;
    std::string partial;
  };
  // False: the client is gone.
  static bool serve(Client& client, const Answerer& answer);

  std::filesystem::path path_;
  Descriptor listener_;
  std::vector<Client> clients_;
};

}  // namespace nightwell::sim
