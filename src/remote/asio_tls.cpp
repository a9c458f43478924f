// The one file that compiles asio's TLS (ASIO_SEPARATE_COMPILATION).
#include <asio/ssl/impl/src.hpp>
