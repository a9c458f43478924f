// A daemon's socket without a daemon: a thread that answers each request line with what the test says.
#pragma once

#include <filesystem>
#include <functional>
#include <mutex>
#include <nlohmann/json.hpp>
#include <string>
#include <thread>
#include <vector>

namespace nightwell::cli_test {

// A folder of its own that goes away again.
class Folder {
 public:
  Folder();
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder();
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

void write_file(const std::filesystem::path& path, const std::string& text);
[[nodiscard]] std::string read_file(const std::filesystem::path& path);

class FakeDaemon {
 public:
  // The bytes to send for a request; empty: hang up without an answer. Called from the thread.
  using Answering = std::function<std::string(const nlohmann::json& request)>;

  FakeDaemon(const std::filesystem::path& runtime, Answering answering);
  FakeDaemon(const FakeDaemon&) = delete;
  FakeDaemon& operator=(const FakeDaemon&) = delete;
  ~FakeDaemon();

  [[nodiscard]] std::vector<nlohmann::json> requests() const;

 private:
  void serve();
  void converse(int fd);
  [[nodiscard]] bool wait_readable(int fd) const;

  Answering answering_;
  int listener_ = -1;
  int stop_ = -1;
  mutable std::mutex mutex_;
  std::vector<nlohmann::json> requests_;
  std::thread thread_;
};

// {"ok": true, …} as a line.
[[nodiscard]] std::string yes(nlohmann::json fields = nlohmann::json::object());
[[nodiscard]] std::string no(const std::string& code, const std::string& text,
                             const std::vector<std::string>& faults = {});

}  // namespace nightwell::cli_test
