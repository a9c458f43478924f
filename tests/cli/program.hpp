// The real program `nightwell`, run as people run it: behind pipes or on a terminal of its own.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <string>
#include <vector>

namespace nightwell::cli_test {

struct Outcome {
  int exit = -1;  // the exit code; 128 + n where signal n ended it
  std::string out, err;
};

// Runs it with `folder` as its runtime folder and folder/state as its state folder. Its standard output goes to the
// file `output` where one is given, and its standard input comes from the file `input`.
[[nodiscard]] Outcome run(const std::filesystem::path& folder, const std::vector<std::string>& arguments,
                          const char* output = nullptr, const char* input = nullptr);

// The program on a pseudo-terminal of 80 x 24.
class OnTerminal {
 public:
  OnTerminal(const std::filesystem::path& folder, const std::vector<std::string>& arguments);
  OnTerminal(const OnTerminal&) = delete;
  OnTerminal& operator=(const OnTerminal&) = delete;
  ~OnTerminal();

  // Reads until the output holds `text` (true) or ends, or a generous deadline has passed (false).
  bool read_until(const std::string& text);
  // The same, from where the last such call found its text: for texts that may come in one piece.
  bool read_on_until(const std::string& text);
  void type(const std::string& keys) const;
  void resize(unsigned short columns, unsigned short rows) const;
  // Reads to the end; gives the exit code as above.
  int finish();
  [[nodiscard]] const std::string& output() const { return output_; }
  // The terminal echoes what is typed: as it does before the program starts and must after it has left.
  [[nodiscard]] bool echoes() const;

 private:
  bool read_some();

  pid_t process_ = -1;
  int terminal_ = -1;
  int other_end_ = -1;  // kept open, so that the settings can be looked at after the program has left
  std::string output_;
  std::size_t found_ = 0;  // by read_on_until(): the end of it
};

}  // namespace nightwell::cli_test
