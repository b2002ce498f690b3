package results

import (
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"time"

	"github.com/parquet-go/parquet-go"
)

// rowGroup is how many rows a row group of a Parquet file has. One group is held in memory until it is
// full, encoded and compressed; readers skip whole groups.
const rowGroup = 1 << 16

// parquetWriter writes a table as Parquet: strings in dictionaries, everything else optional (null is
// not measured), times as UTC milliseconds. What the columns mean is in the file's metadata: "rundown.table"
// holds the table's description as JSON, "rundown.column.NAME" the text for each column.
func parquetWriter(t Table, w io.Writer) (put func([]any) error, flush func() error, err error) {
	schema := parquetSchema(t)
	described, err := json.Marshal(t)
	if err != nil {
		return nil, nil, err
	}
	options := []parquet.WriterOption{
		schema,
		parquet.Compression(&parquet.Zstd),
		parquet.CreatedBy("rundown", "", ""),
		parquet.KeyValueMetadata("rundown.table", string(described)),
		parquet.KeyValueMetadata("rundown.format_version", fmt.Sprint(FormatVersion)),
	}
	for _, c := range t.Columns {
		about := c.About
		if c.Unit != "" {
			about += " (" + c.Unit + ")"
		}
		options = append(options, parquet.KeyValueMetadata("rundown.column."+c.Name, about))
	}
	out := parquet.NewGenericWriter[any](w, options...)

	const batch = 256
	rows := make([]parquet.Row, 0, batch)
	store := make([]parquet.Value, batch*len(t.Columns)) // the rows' values, used again for each batch
	// Most strings repeat from row to row: handset, run, segment. The last one of each column is kept as a
	// value, so that a million rows do not make a million copies of it.
	last := make([]parquet.Value, len(t.Columns))
	lastText := make([]string, len(t.Columns))
	written := 0
	send := func() error {
		if len(rows) == 0 {
			return nil
		}
		if _, err := out.WriteRows(rows); err != nil {
			return err
		}
		written += len(rows)
		rows = rows[:0]
		if written >= rowGroup {
			written = 0
			return out.Flush()
		}
		return nil
	}
	put = func(values []any) error {
		if len(values) != len(t.Columns) {
			return fmt.Errorf("%d values for %d columns of %s", len(values), len(t.Columns), t.Name)
		}
		at := len(rows) * len(values)
		row := store[at : at+len(values) : at+len(values)]
		for i, v := range values {
			if text, ok := v.(string); ok && text == lastText[i] && text != "" {
				row[i] = last[i]
				continue
			}
			value, err := parquetValue(t.Columns[i], v)
			if err != nil {
				return err
			}
			defined := 1
			if value.IsNull() || t.Columns[i].Type == "string" {
				defined = 0
			}
			row[i] = value.Level(0, defined, i)
			if text, ok := v.(string); ok {
				last[i], lastText[i] = row[i], text
			}
		}
		rows = append(rows, row)
		if len(rows) == batch {
			return send()
		}
		return nil
	}
	return put, func() error {
		if err := send(); err != nil {
			return err
		}
		return out.Close()
	}, nil
}

// parquetSchema is the schema of a table. It goes by way of a struct, as only that keeps the columns in
// their order.
func parquetSchema(t Table) *parquet.Schema {
	var fields []reflect.StructField
	for i, c := range t.Columns {
		kind, tag := reflect.TypeFor[string](), ",dict"
		switch c.Type {
		case "integer":
			kind, tag = reflect.TypeFor[int64](), ",optional,delta"
		case "number":
			kind, tag = reflect.TypeFor[float64](), ",optional"
		case "boolean":
			kind, tag = reflect.TypeFor[bool](), ",optional"
		case "time":
			kind, tag = reflect.TypeFor[int64](), ",optional,delta,timestamp(millisecond)"
		}
		fields = append(fields, reflect.StructField{Name: fmt.Sprintf("C%d", i), Type: kind, Tag: reflect.StructTag(`parquet:"` + c.Name + tag + `"`)})
	}
	// NewSchema and not SchemaOf: the type has no name that a file should carry.
	return parquet.NewSchema(t.Name, parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface()))
}

// parquetValue is a cell as the type of its column, or null.
func parquetValue(c Column, v any) (parquet.Value, error) {
	switch v := pointed(v).(type) {
	case nil:
		if c.Type == "string" {
			return parquet.ByteArrayValue(nil), nil
		}
		return parquet.NullValue(), nil
	case time.Time:
		if c.Type == "time" {
			if v.IsZero() {
				return parquet.NullValue(), nil
			}
			return parquet.Int64Value(v.UnixMilli()), nil
		}
	case string:
		if c.Type == "string" {
			return parquet.ByteArrayValue([]byte(v)), nil
		}
	case bool:
		if c.Type == "boolean" {
			return parquet.BooleanValue(v), nil
		}
	case int:
		return parquetValue(c, int64(v))
	case int64:
		switch c.Type {
		case "integer":
			return parquet.Int64Value(v), nil
		case "number":
			return parquet.DoubleValue(float64(v)), nil
		}
	case float64:
		if c.Type == "number" {
			return parquet.DoubleValue(v), nil
		}
	}
	return parquet.Value{}, fmt.Errorf("column %s is a %s, and the row has %T", c.Name, c.Type, v)
}
