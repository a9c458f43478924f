// The one file that compiles asio itself (ASIO_SEPARATE_COMPILATION).
#include <asio/impl/src.hpp>
