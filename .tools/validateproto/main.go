// Command validateproto writes the text of buf/validate/validate.proto, the vocabulary in which our contract states its
// field rules, into the file named by its one argument.
//
// The text is printed from the descriptor compiled into the Go module of those rules, so the contract builds with the
// module proxy alone and no schema registry. Comments are not in a compiled descriptor and so are missing.
package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/jhump/protoreflect/v2/protoprint"
)

// notice is what the licence of the printed file asks every copy to carry: the copyright line, the licence, and that the
// file was changed.
const notice = `// Copyright 2023-2026 Buf Technologies, Inc.
//
// Licensed under the Apache License, Version 2.0 (the "License");
// you may not use this file except in compliance with the License.
// You may obtain a copy of the License at
//
//      http://www.apache.org/licenses/LICENSE-2.0
//
// Unless required by applicable law or agreed to in writing, software
// distributed under the License is distributed on an "AS IS" BASIS,
// WITHOUT WARRANTIES OR CONDITIONS OF ANY KIND, either express or implied.
// See the License for the specific language governing permissions and
// limitations under the License.

// Changed: printed from the compiled descriptor by go generate, without the original's comments. Do not edit.

`

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: validateproto FILE")
		os.Exit(2)
	}
	if err := write(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "validateproto:", err)
		os.Exit(1)
	}
}

// write prints the file to path, creating its folders.
func write(path string) error {
	var text bytes.Buffer
	text.WriteString(notice)
	if err := new(protoprint.Printer).PrintProtoFile(validate.File_buf_validate_validate_proto, &text); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return os.WriteFile(path, text.Bytes(), 0o644)
}
